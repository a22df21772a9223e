"""Tables on the screen: aligned columns."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd


def print_table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Print rows below their headings, each column as wide as its widest cell."""
    lines = [tuple(head), *map(tuple, rows)]
    wide = [max(map(len, column)) for column in zip(*lines, strict=True)]
    for line in lines:
        print("  " + "  ".join(f"{cell:<{size}}" for cell, size in zip(line, wide, strict=True)).rstrip())


def short_date(moment: pd.Timestamp) -> str:
    """Return a date as day and month, ``"not this season"`` for none."""
    from phenofit.seasons import day_words

    return "not this season" if str(moment) == "NaT" else day_words(moment, short=True)
