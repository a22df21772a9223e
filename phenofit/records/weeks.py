"""Catches by trap, season and week: what the picture of the records shows."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.records.records import Records

_WEEK = np.timedelta64(7, "D") / np.timedelta64(1, "ns")


@dataclass(frozen=True)
class RecordWeeks:
    """Catches of each trap (row) in each week of each season; traps in the order of their sites."""

    traps: tuple[str, ...]
    sites: tuple[str, ...]  # Of each trap.
    labels: tuple[str, ...]  # Of each season.
    first: tuple[np.datetime64, ...]  # Day on which the first week of each season begins.
    moths: npt.NDArray[np.float64]  # Shape (seasons, traps, weeks): moths per week; NaN where not watched.
    unchecked: npt.NDArray[
        np.bool_
    ]  # Same shape: not watched, or a check missed, between the first and last check.
    left_out: npt.NDArray[np.bool_]  # Same shape: a check in the week does not enter the records.


def record_weeks(records: Records) -> RecordWeeks:
    """Spread the catches of the records over weeks since the start of their seasons; only weeks with a check remain."""
    season, intervals, unused = records.season, records.trap_years.intervals, records.trap_years.unused
    within = unused[unused["year"].astype(np.int64) >= 0]
    years = sorted({int(year) for table in (intervals, within) for year in table["year"].unique()})
    site_of = records.site_of
    names = {str(trap) for table in (intervals, within) for trap in table["trap"].unique()}
    traps = sorted(names, key=lambda trap: (_natural(site_of.get(trap, trap)), _natural(trap)))
    opens = {year: season.first_day(year).astype("datetime64[ns]") for year in years}
    weeks = max((len(season.days(year)) for year in years), default=0) // 7 + 1
    shape = (len(years), len(traps), weeks)
    at_year = {year: i for i, year in enumerate(years)}
    at_trap = {trap: i for i, trap in enumerate(traps)}

    def place(table: pd.DataFrame, column: str) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
        """Return the cell of week 0 of each row, and the time since then in weeks."""
        which = table["year"].astype(np.int64).map(at_year).to_numpy(dtype=np.int64)
        trap = table["trap"].astype(str).map(at_trap).to_numpy(dtype=np.int64)
        begin = np.array([opens[year] for year in years], dtype="datetime64[ns]")[which]
        passed = (table[column].to_numpy().astype("datetime64[ns]") - begin).astype(np.float64) / _WEEK
        return (which * len(traps) + trap) * weeks, np.clip(passed, 0.0, weeks - 1e-9)

    moths, watched = np.zeros(shape), np.zeros(shape)
    unchecked, left_out = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
    visited = np.zeros(shape, dtype=bool)
    if len(intervals):
        cell, start = place(intervals, "start")
        _, end = place(intervals, "end")
        _spread(moths, watched, cell, start, end, intervals["count"].to_numpy(dtype=np.float64))
    for table in (intervals, within):
        if len(table):
            cell, end = place(table, "end")
            visited.ravel()[cell + _last_week(end)] = True
    if len(within):
        cell, end = place(within, "end")
        missed = (within["reason"] == "not checked").to_numpy()
        unchecked.ravel()[(cell + _last_week(end))[missed]] = True
        left_out.ravel()[(cell + _last_week(end))[~missed]] = True
    active = watched > 0
    seen = active | visited
    begun = np.maximum.accumulate(seen, axis=2)
    going = np.maximum.accumulate(seen[:, :, ::-1], axis=2)[:, :, ::-1]
    unchecked |= begun & going & ~active & ~left_out
    used = np.flatnonzero(seen.any(axis=(0, 1)))
    cut = slice(int(used[0]), int(used[-1]) + 1) if used.size else slice(0, 0)
    rate = np.where(active, moths / np.where(active, watched, 1.0), np.nan)
    return RecordWeeks(
        tuple(traps),
        tuple(site_of.get(trap, trap) for trap in traps),
        tuple(season.label(year) for year in years),
        tuple(season.first_day(year) + np.timedelta64(7 * (cut.start or 0), "D") for year in years),
        rate[:, :, cut],
        unchecked[:, :, cut],
        left_out[:, :, cut],
    )


def _spread(
    moths: npt.NDArray[np.float64],
    watched: npt.NDArray[np.float64],
    cell: npt.NDArray[np.int64],
    start: npt.NDArray[np.float64],
    end: npt.NDArray[np.float64],
    count: npt.NDArray[np.float64],
) -> None:
    """Add counts to the weeks of their intervals, evenly over the time; times are in weeks."""
    first = np.floor(start).astype(np.int64)
    number = np.maximum(np.ceil(end).astype(np.int64) - first, 1)
    which = np.repeat(np.arange(len(cell)), number)
    week = first[which] + np.arange(len(which)) - np.repeat(np.cumsum(number) - number, number)
    part = np.maximum(np.minimum(end[which], week + 1.0) - np.maximum(start[which], week), 0.0)
    length = np.maximum(end - start, 1e-9)
    np.add.at(moths.ravel(), cell[which] + week, (count / length)[which] * part)
    np.add.at(watched.ravel(), cell[which] + week, part)


def _last_week(end: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    """Return the week in which an interval ends; one that ends as a week begins belongs to the week before."""
    return np.maximum(np.ceil(end).astype(np.int64) - 1, 0)


def _natural(name: str) -> list[tuple[int, int, str]]:
    """Return a key that sorts trap 9 before trap 10."""
    parts = re.findall(r"([0-9]{1,18})|([^0-9]+)", name)
    return [(0, int(digits), "") if digits else (1, 0, text.casefold()) for digits, text in parts]
