"""A few scouting dates of one place: "none on 3 June, two on 10 June"."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from phenofit.errors import DataError, Problem
from phenofit.files.cells import parse_dates, parse_numbers
from phenofit.files.tables import read_table
from phenofit.seasons import Season

RECORD_COLUMNS = ("year", "start", "end", "count")
_NOON_HOURS = 12.0


def read_records(
    path: str | os.PathLike[str],
    *,
    season: Season,
    dates: str = "year-first",
    columns: Mapping[str, str] | None = None,
    hour: float = _NOON_HOURS,
) -> pd.DataFrame:
    """Read scouting records: a date and a count a row, and optionally the start of the interval."""
    table = read_table(path, columns=columns, required=["date", "count"], optional=["set"])
    table.frame["count"] = table.frame["count"].where(table.frame["count"].str.lower() != "none", "0")
    when, problems = parse_dates(table, "date", dates, default_hour=hour)
    count, more = parse_numbers(
        table, "count", missing=("",), required=True, low=0.0, high=1e6, what="a whole number"
    )
    since = np.full(len(when), np.datetime64("NaT", "ns"))
    if "set" in table.frame:
        since, late = parse_dates(table, "set", dates, default_hour=hour, required=False)
        problems += late
    problems += more
    broken = np.isfinite(count) & (count != np.floor(count))
    remedy = "Write how many were seen."
    problems += table.problems(broken, "count", "'{cell}' is not a whole number.", remedy)
    if problems:
        raise DataError(problems)
    return place_records(when, count, season=season, since=since, file=table.file, rows=table.rows)


def place_records(
    when: Sequence[np.datetime64] | np.ndarray,
    count: Sequence[float] | np.ndarray,
    *,
    season: Season,
    since: np.ndarray | None = None,
    file: str = "",
    rows: np.ndarray | None = None,
) -> pd.DataFrame:
    """Turn dated counts of one place into intervals, season by season."""
    times = np.asarray(when).astype("datetime64[ns]")
    begins = (
        np.full(times.size, np.datetime64("NaT", "ns")) if since is None else since.astype("datetime64[ns]")
    )
    lines = np.arange(times.size) + 1 if rows is None else rows
    if times.size == 0:
        raise DataError(Problem("there is no record.", "Give a date and a count at least once.", file))
    problems: list[Problem] = []
    years = season.year_of(times)
    order = np.argsort(times, kind="stable")
    found: list[tuple[int, np.datetime64, np.datetime64, int]] = []
    before: tuple[int, np.datetime64] | None = None
    for i in order:
        year, end, row = int(years[i]), times[i], int(lines[i])
        day = str(end.astype("datetime64[D]"))
        if year < 0:
            remedy = f"The season runs from {season.start} to {season.end}."
            problems.append(Problem(f"{day} lies outside the season.", remedy, file, row, "date"))
            continue
        start = begins[i]
        if np.isnat(start):
            start = (
                before[1]
                if before is not None and before[0] == year
                else season.first_day(year).astype("datetime64[ns]")
            )
        if start >= end:
            again = before is not None and before[1] == end
            finding = (
                f"{day} is a duplicate." if again else f"the interval begins at or after its end, {day}."
            )
            problems.append(Problem(finding, "Give each check once, in its own row.", file, row, "date"))
            continue
        found.append((year, start, end, int(np.asarray(count)[i])))
        before = (year, end)
    if problems:
        raise DataError(problems)
    return pd.DataFrame(found, columns=list(RECORD_COLUMNS))
