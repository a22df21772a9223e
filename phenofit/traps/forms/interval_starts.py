"""Where the interval of each check starts: given, by its nights, or by a rule."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import Problem
from phenofit.files.cells import parse_numbers
from phenofit.files.text_table import Table
from phenofit.traps.sequence import series_keys
from phenofit.traps.sheet_cells import row_text

_DAY = np.timedelta64(1, "D")


def interval_starts(
    frame: pd.DataFrame, table: Table, start: str, *, compare: bool
) -> tuple[pd.DataFrame, npt.NDArray[np.float64], list[Problem]]:
    """Return the catches with ``set`` filled where it follows, the nights that are given, and what is wrong.

    With `compare`, a row with both ``set`` and ``nights`` must have the same in both, to one night.
    """
    nights = np.full(len(frame), np.nan)
    problems: list[Problem] = []
    if "nights" in table.frame:
        nights, problems = parse_numbers(
            table, "nights", low=1e-9, high=366.0, what="a number of nights above 0"
        )
    check = frame["check"].to_numpy().astype("datetime64[ns]")
    given = frame["set"].to_numpy().astype("datetime64[ns]")
    apart = np.abs((check - given) / _DAY - nights) > 1.0
    if compare:
        remedy = "Correct one of the two, or leave one of them blank."
        finding = "the nights '{cell}' are not those between the start and the check."
        problems += table.problems(apart, "nights", finding, remedy) if "nights" in table.frame else []
    length = np.where(np.isnan(nights), 1.0 if start == "one night" else np.nan, nights)
    known = np.isnat(given) & ~np.isnan(length)
    seconds = np.where(known, np.nan_to_num(length) * 86400.0, 0.0).round().astype("timedelta64[s]")
    return frame.assign(set=np.where(known, check - seconds, given)), nights, problems


def cut_overlaps(frame: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Return the ordered catches, each starting where the check before ends or later, and a note of those cut."""
    before = frame.groupby(series_keys(frame), sort=False)["check"].shift()
    late = (frame["set"] < before) & (before < frame["check"])
    if not late.any():
        return frame, []
    note = (
        f"{int(late.sum())} intervals cut to begin where the earlier one of their trap ends "
        f"(rows {row_text(frame.loc[late, 'row'])})."
    )
    return frame.assign(set=frame["set"].mask(late, before)), [note]
