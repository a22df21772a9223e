"""Catch tables in moths per night: the rate times its nights is the count, or the row is refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import Problem
from phenofit.files.cells import parse_numbers
from phenofit.files.text_table import Table
from phenofit.traps.count_cells import LARGEST_COUNT, NUMBER, CountWords

TOLERANCE = 0.05
"""Largest distance of a rate times its nights from a whole number [moths]."""
LONGEST_NIGHTS = 60
"""A longer time since the check before, without a stated start, is taken as a season between, not as trapping."""


def read_rates(
    table: Table, words: CountWords
) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.float64], list[Problem]]:
    """Return which count cells are numbers, the rates in them, and what is wrong."""
    cells = table.frame["count"].str.strip()
    declared = cells.map({text: words.meaning(text) is not None for text in cells.unique()}).astype(bool)
    number = cells.str.match(NUMBER) & ~declared
    bounds = (cells.str.match(r"^(?:>=|≥|>)\s*\d|^\d[\d.,]*\s*\+$") & ~declared).to_numpy(dtype=bool)
    plain = replace(table, frame=table.frame.assign(count=cells.where(number, "").str.removeprefix("+")))
    values, problems = parse_numbers(plain, "count", low=0.0, high=LARGEST_COUNT, what="moths per night")
    remedy = "Write the rate itself, or give counts."
    problems += table.problems(bounds, "count", "a bound of a rate is no count.", remedy)
    return number.to_numpy(dtype=bool) | bounds, values, problems


def counts_of_rates(
    frame: pd.DataFrame, table: Table, given: npt.NDArray[np.float64], faulty: set[int | None]
) -> tuple[pd.DataFrame, list[Problem], list[str]]:
    """Return the catches with counts in the place of rates, what is wrong, and what rounding changed.

    `given` are the nights that the table has, NaN where it has none; a row in `faulty` has a problem already.
    """
    problems: list[Problem] = []
    nights = np.where(np.isnan(given), _nights(frame), given)
    rate = frame["count"].to_numpy(dtype=np.float64)
    counted = (frame["status"] == "counted").to_numpy() & (rate > 0)
    product = np.where(counted, rate * nights, rate)
    whole = np.round(product)
    for i in np.flatnonzero(counted).tolist():
        if int(frame["row"].iloc[i]) in faulty or np.isnat(frame["check"].to_numpy()[i]):
            continue
        found = _finding(table.cell(i, "count"), float(nights[i]), float(product[i]))
        if found is not None:
            problems.append(table.problem(i, "count", *found))
    good = counted & np.isfinite(product) & (np.abs(product - whole) <= TOLERANCE)
    note = (
        f"{int(good.sum())} rates per night times their nights: {product[good].sum():.2f} moths before rounding, "
        f"{whole[good].sum():.0f} after."
    )
    return frame.assign(count=np.where(good | ~counted, whole, np.nan)), problems, [note]


def _finding(cell: str, nights: float, product: float) -> tuple[str, str] | None:
    """Return what is wrong with a rate, and the remedy."""
    if np.isnan(nights):
        remedy = "Give the start of the interval in a column 'set', or the nights in a column 'nights'"
        remedy += '; where traps stood one night, set start = "one night".'
        return f"the nights of '{cell}' per night are not known.", remedy
    if product > LARGEST_COUNT:
        return (
            f"'{cell}' per night is too large for a count.",
            f"A count is a whole number up to {LARGEST_COUNT}.",
        )
    if abs(product - round(product)) <= TOLERANCE:
        return None
    return (
        f"'{cell}' per night times {nights:g} nights is {product:.4g}, no whole number of moths (within {TOLERANCE}).",
        "Write the rate with more digits, correct the nights (column 'nights' or 'set'), or give counts.",
    )


def _nights(frame: pd.DataFrame) -> npt.NDArray[np.float64]:
    """Return the calendar nights from ``set``, else from the check before, to each check; NaN where neither is known."""
    check = frame["check"].to_numpy().astype("datetime64[D]")
    start = frame["set"].to_numpy().astype("datetime64[D]")
    # A trap that was not checked was not emptied either: the next catch is of the longer interval.
    emptied = (frame["status"] != "missing").to_numpy() & ~np.isnat(check)
    for rows in frame.groupby("trap", sort=False).indices.values():
        days = np.unique(check[rows][emptied[rows]])
        for i in rows[np.isnat(start[rows]) & ~np.isnat(check[rows])]:
            before = int(np.searchsorted(days, check[i])) - 1
            if before >= 0 and check[i] - days[before] <= np.timedelta64(LONGEST_NIGHTS, "D"):
                start[i] = days[before]
    nights = np.full(len(frame), np.nan)
    known = ~np.isnat(start) & ~np.isnat(check)
    nights[known] = (check[known] - start[known]).astype(np.float64)
    return np.where(nights > 0, nights, np.nan)
