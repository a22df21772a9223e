"""A stop for dates read in the wrong order: every day up to the 12th would change its month unnoticed."""

from __future__ import annotations

import numpy as np

from phenofit.errors import Problem
from phenofit.tables import Table, parse_dates

__all__ = ["date_order_problems"]

_OTHER = {"month-first": "day-first", "day-first": "month-first"}


def date_order_problems(table: Table, column: str, order: str, dates: np.ndarray) -> list[Problem]:
    """Compare the declared order of the dates with the other one.

    Parameters
    ----------
    table : Table
        Table with the columns ``trap`` and `column`, rows as in the file.
    column : str
        Our name of the date column.
    order : str
        Declared order of the parts.
    dates : array of datetime64, shape (rows,)
        The column read in that order.

    Returns
    -------
    list of Problem
        One, where every date can be read both ways, the checks of a trap run backwards in the declared order,
        and those of all traps run forwards in the other.
    """
    other = _OTHER.get(order)
    if other is None or np.isnat(dates).any():
        return []
    swapped, problems = parse_dates(table, column, other)
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


def _day(stamp: np.datetime64) -> str:
    return str(stamp.astype("datetime64[D]"))
