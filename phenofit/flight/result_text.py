"""Results as text and HTML: numbers, names of parameters, tables and lists, escaped."""

from __future__ import annotations

import html
import math
from collections.abc import Iterable
from typing import Any

import pandas as pd


def fixed(value: float | None, digits: int, missing: str = "") -> str:
    """Return a number with `digits` decimals, or the text for a missing one."""
    return missing if value is None or math.isnan(value) else f"{value:.{digits}f}"


def rounded(value: Any) -> str:
    """Return a number to about four digits; empty where it is missing."""
    if value is None or pd.isna(value):
        return ""
    return f"{value:.4g}" if abs(value) < 1000 else f"{value:.1f}"


def decimals(estimate: float, low: float | None, high: float | None) -> int | None:
    """Return to how many decimals an estimate is rounded; None where it has no interval.

    Two significant digits of the half width of the interval, as JCGM 100:2008, 7.2.6 recommends for uncertainties.
    Where one end is open, the distance to the other end is used.
    """
    parts = [abs(estimate - end) for end in (low, high) if end is not None and math.isfinite(end)]
    half = sum(parts) / len(parts) if parts else 0.0
    return None if half == 0.0 else max(1 - math.floor(math.log10(half)), 0)


def in_days(days: float) -> str:
    """Return what follows the unit of a heat sum that is also a time; empty where it is none."""
    return "" if math.isnan(days) else f" ({days:.1f} days)"


def parameter_label(parameter: str, flight: Any) -> str:
    """Return the name of a parameter with its flight, where it belongs to one."""
    return parameter if pd.isna(flight) else f"{parameter}, flight {flight}"


def html_table(head: Iterable[str], rows: Iterable[Iterable[object]]) -> str:
    """Return a table of texts."""
    lines = [_cells("th", head), *(_cells("td", row) for row in rows)]
    return f"<table>{''.join(f'<tr>{line}</tr>' for line in lines)}</table>"


def html_frame(table: pd.DataFrame, missing: str = "") -> str:
    """Return a table of numbers to three decimals and texts."""
    rows = (
        [fixed(v, 3, missing) if isinstance(v, float) else v for v in row]
        for row in table.itertuples(index=False)
    )
    return html_table((str(c).replace("_", " ") for c in table.columns), rows)


def html_list(texts: Iterable[str]) -> str:
    """Return a list of sentences."""
    return f"<ul>{''.join(f'<li>{html.escape(text)}</li>' for text in texts)}</ul>"


def _cells(tag: str, values: Iterable[object]) -> str:
    return "".join(f"<{tag}>{html.escape(str(value))}</{tag}>" for value in values)
