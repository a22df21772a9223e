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
    dated = catches.dropna(subset="check")
    series = dated.groupby(series_keys(dated), sort=False).ngroup().to_numpy()
    dated, series = dated.iloc[np.argsort(series, kind="stable")], np.sort(series)
    checks, sets = dated["check"].to_numpy(), dated["set"].to_numpy()
    again = series[1:] == series[:-1]
    repeated = np.flatnonzero(again & (checks[1:] == checks[:-1])) + 1
    reversed_ = np.flatnonzero(sets >= checks)
    earlier = np.setdiff1d(np.flatnonzero(again & (sets[1:] < checks[:-1])) + 1, repeated)
    found: list[tuple[int, int, Problem]] = []
    for kind, (rows, say) in enumerate(((repeated, _repeated), (reversed_, _reversed), (earlier, _overlap))):
        for i in rows.tolist():
            finding, remedy, column = say(dated, i)
            problem = _at(dated, i, finding, remedy, file, names.get(column, column))
            found.append((int(series[i]), kind, problem))
    return [problem for _, _, problem in sorted(found, key=lambda one: one[:2])]


def _repeated(dated: pd.DataFrame, i: int) -> tuple[str, str, str]:
    trap, check = dated["trap"].iloc[i], dated["check"].to_numpy()[i]
    return (
        f"trap '{trap}' is checked twice on {_day(check)} (also {_place(dated, i - 1)}).",
        f'Keep one row, or set duplicates = "sum" to add such rows up.{_two_lures(dated, i)}',
        "date",
    )


def _reversed(dated: pd.DataFrame, i: int) -> tuple[str, str, str]:
    trap, set_, check = (dated[name].to_numpy()[i] for name in ("trap", "set", "check"))
    return (
        f"trap '{trap}' was set on {_day(set_)}, not before its check on {_day(check)}.",
        "The start of an interval lies before its end.",
        "set",
    )


def _overlap(dated: pd.DataFrame, i: int) -> tuple[str, str, str]:
    trap, set_, before = dated["trap"].iloc[i], dated["set"].to_numpy()[i], dated["check"].to_numpy()[i - 1]
    finding = (
        f"trap '{trap}': the interval from {_day(set_)} overlaps the one that ends on "
        f"{_day(before)} ({_place(dated, i - 1)})."
    )
    remedy = (
        'Each interval starts where the one before ends, or later; overlaps = "cut" has them start there.'
    )
    return finding, remedy, "set"


def _at(dated: pd.DataFrame, i: int, finding: str, remedy: str, file: str, column: str) -> Problem:
    """Return the problem of one check; in a wide table its column is that of its count."""
    row = dated.iloc[i]
    own = str(row.get("column", ""))
    return Problem(finding, remedy, file, int(row["row"]), own or column, str(row.get("sheet", "")))


def _place(dated: pd.DataFrame, i: int) -> str:
    row = dated.iloc[i]
    sheet = f"sheet '{row['sheet']}', " if row.get("sheet") else ""
    column = f", column '{row['column']}'" if row.get("column") else ""
    return f"{sheet}row {row['row']}{column}"


def _two_lures(dated: pd.DataFrame, i: int) -> str:
    if "lure" not in dated or dated["lure"].iloc[i] == dated["lure"].iloc[i - 1]:
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
