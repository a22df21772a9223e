"""Checks of one trap in order: repeated dates, intervals that end before they start or overlap, a wrong date order."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from phenofit.errors import Problem
from phenofit.files.cells import parse_dates
from phenofit.files.text_table import Table

_OTHER = {"month-first": "day-first", "day-first": "month-first"}


def series_keys(catches: pd.DataFrame) -> list[str]:
    """Return the columns that identify one series of checks."""
    return ["trap", "species"] if "species" in catches else ["trap"]


def sequence_problems(catches: pd.DataFrame, *, file: str, names: Mapping[str, str]) -> list[Problem]:
    """Return a problem for each date that cannot be a check of its trap."""
    problems: list[Problem] = []
    for _, group in catches.dropna(subset="check").groupby(series_keys(catches), sort=False):
        checks, sets = group["check"].to_numpy(), group["set"].to_numpy()
        trap = str(group["trap"].iloc[0])
        repeated = np.flatnonzero(checks[1:] == checks[:-1]) + 1
        for i in repeated.tolist():
            finding = f"trap '{trap}' is checked twice on {_day(checks[i])} (also {_place(group, i - 1)})."
            remedy = f'Keep one row, or set duplicates = "sum" to add such rows up.{_two_lures(group, i)}'
            problems.append(_at(group, i, finding, remedy, file, names.get("date", "date")))
        for i in np.flatnonzero(sets >= checks).tolist():
            finding = f"trap '{trap}' was set on {_day(sets[i])}, not before its check on {_day(checks[i])}."
            remedy = "The start of an interval lies before its end."
            problems.append(_at(group, i, finding, remedy, file, names.get("set", "set")))
        earlier = np.flatnonzero(sets[1:] < checks[:-1]) + 1
        for i in np.setdiff1d(earlier, repeated).tolist():
            finding = (
                f"trap '{trap}': the interval from {_day(sets[i])} overlaps the one that ends on "
                f"{_day(checks[i - 1])} ({_place(group, i - 1)})."
            )
            remedy = 'Each interval starts where the one before ends, or later; overlaps = "cut" has them start there.'
            problems.append(_at(group, i, finding, remedy, file, names.get("set", "set")))
    return problems


def _at(group: pd.DataFrame, i: int, finding: str, remedy: str, file: str, column: str) -> Problem:
    """Return the problem of one check; in a wide table its column is that of its count."""
    row = group.iloc[i]
    own = str(row.get("column", ""))
    return Problem(finding, remedy, file, int(row["row"]), own or column, str(row.get("sheet", "")))


def _place(group: pd.DataFrame, i: int) -> str:
    row = group.iloc[i]
    sheet = f"sheet '{row['sheet']}', " if row.get("sheet") else ""
    column = f", column '{row['column']}'" if row.get("column") else ""
    return f"{sheet}row {row['row']}{column}"


def _two_lures(group: pd.DataFrame, i: int) -> str:
    if "lure" not in group or group["lure"].iloc[i] == group["lure"].iloc[i - 1]:
        return ""
    return ' The lures differ: two columns can name one trap, such as trap = ["trap", "lure"].'


def _day(stamp: np.datetime64) -> str:
    return str(stamp.astype("datetime64[D]"))


def date_order_problems(
    table: Table, column: str, order: str, dates: np.ndarray, year: str = ""
) -> list[Problem]:
    """Compare the declared order of the dates with the other one."""
    other = _OTHER.get(order)
    if other is None or np.isnat(dates).any():
        return []
    swapped, problems = parse_dates(table, column, other, year=year)
    if problems:
        return []
    backwards = _backwards(table, dates)
    if not backwards.size or _backwards(table, swapped).size:
        return []
    at = int(backwards[0])
    finding = (
        f"'{table.cell(at, column)}' read {order} is {_day(dates[at])}, before the check in the row above; "
        f"read {other} it is {_day(swapped[at])}, and the checks of every trap are in order."
    )
    return [table.problem(at, column, finding, f"Declare the dates {other}, or sort the rows by date.")]


def _backwards(table: Table, dates: np.ndarray) -> np.ndarray:
    """Return the rows that are dated before the row of the same trap above them."""
    codes = table.frame["trap"].astype("category").cat.codes.to_numpy()
    order = np.argsort(codes, kind="stable")
    same = codes[order][1:] == codes[order][:-1]
    earlier = dates[order][1:] < dates[order][:-1]
    return np.sort(order[1:][same & earlier])


def joint_status(statuses: Iterable[str]) -> str:
    """Return the status of a sum of counts."""
    found = set(statuses)
    for status in ("lost", "missing"):
        if status in found:
            return status
    if found in ({"counted"}, {"present"}):
        return found.pop()
    return "at least"
