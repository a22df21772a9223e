"""The biofix table: the day from which heat is summed, place by place and season by season."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from phenofit.errors import DataError
from phenofit.files.cells import parse_dates, two_digit_year_notes
from phenofit.files.tables import read_table
from phenofit.files.text_table import TableSource
from phenofit.seasons import Season

if TYPE_CHECKING:
    from phenofit.traps.years import TrapYears

_UNKNOWN = np.datetime64("NaT", "ns")
_BEFORE = "the interval begins before the biofix"
_MOTHS_BEFORE = "moths were caught before the biofix, so that the first catch is not known"


def read_biofix(
    path: TableSource, *, dates: str, season: Season, columns: Mapping[str, str] | None = None
) -> pd.DataFrame:
    """Read a biofix table.

    Parameters
    ----------
    path : path-like or pandas.DataFrame
        Delimited text with the columns ``site`` and ``date``, one row per site and season.
    dates : {"year-first", "month-first", "day-first"}
        Order of the dates.
    season : Season
        The season that each date must fall in.
    columns : mapping, optional
        Our column names to those of the file.

    Returns
    -------
    pandas.DataFrame
        Columns ``site``, ``date`` (datetime64[ns], midnight), ``year`` (in which the season starts), ``row``.

    Raises
    ------
    DataError
        With every problem found: unreadable dates, dates outside the season, two dates for a site and season.
    """
    table = read_table(path, columns=columns, required=("site", "date"))
    found, problems = parse_dates(table, "date", dates)
    days = found.astype("datetime64[D]")
    year = season.year_of(days)
    sites = table.frame["site"]
    problems += table.problems(sites == "", "site", "the row names no site.", "Write the site of every row.")
    problems += [
        table.problem(
            int(i),
            "date",
            f"the biofix {days[i]} lies outside the season ({season.start} to {season.end}).",
            "Correct the date, or the month-days on which the season opens and ends.",
        )
        for i in np.flatnonzero((year < 0) & ~np.isnat(days))
    ]
    again = pd.DataFrame({"site": sites, "year": year}).duplicated().to_numpy() & (year >= 0)
    problems += [
        table.problem(
            int(i),
            "date",
            f"site '{sites.iloc[i]}' has a second biofix in the season {season.label(int(year[i]))}.",
            "Keep one date for each site and season.",
        )
        for i in np.flatnonzero(again)
    ]
    if problems:
        raise DataError(sorted(problems, key=lambda p: p.row or 0))
    frame = pd.DataFrame(
        {"site": sites.astype(str), "date": days.astype("datetime64[ns]"), "year": year, "row": table.rows}
    )
    frame.attrs = {"notes": (*table.notes, *two_digit_year_notes(table, ["date"])), "file": table.file}
    return frame


def biofix_starts(biofix: pd.DataFrame) -> dict[tuple[str, int], np.datetime64]:
    """Return the start of the heat sum of each (site, season year) as the fit takes it."""
    return {
        (str(site), int(year)): date
        for site, year, date in zip(
            biofix["site"], biofix["year"], biofix["date"].to_numpy().astype("datetime64[ns]"), strict=True
        )
    }


def since_biofix(
    trap_years: TrapYears,
    starts: Mapping[tuple[str, int], np.datetime64] | None,
    *,
    first_catch: bool = False,
) -> tuple[TrapYears, pd.DataFrame]:
    """Leave out the check intervals that begin before the biofix; return the records and what was left out."""
    intervals = trap_years.intervals
    none = pd.DataFrame(columns=["trap", "season", "reason", "rows", "moths"])
    if starts is None or intervals.empty:
        return trap_years, none
    given = [
        starts.get((str(site), int(year)), _UNKNOWN)
        for site, year in zip(intervals["site"], intervals["year"], strict=True)
    ]
    early = intervals["start"].to_numpy() < np.array(given, dtype="datetime64[ns]")
    if first_catch:
        caught = early & ((intervals["count"] > 0) | (intervals["status"] != "counted")).to_numpy()
        early = intervals["trap_year"].isin(intervals.loc[caught, "trap_year"]).to_numpy()
    if not early.any():
        return trap_years, none
    reason = _MOTHS_BEFORE if first_catch else _BEFORE
    groups = intervals[early].groupby(["trap", "season"], sort=True)["count"]
    dropped = groups.agg(rows="size", moths="sum").reset_index()
    kept = intervals[~early]
    # The totals of the trap-years are those of what stays.
    stays = trap_years.years["trap_year"].isin(kept["trap_year"]).to_numpy()
    sums = kept.groupby("trap_year")["count"].agg(["sum", "size"])
    numbers = trap_years.years["trap_year"]
    years = trap_years.years.assign(
        total=numbers.map(sums["sum"]).fillna(trap_years.years["total"] * 0),
        checks=numbers.map(sums["size"]).fillna(0).astype(int),
    )
    years["total"] = years["total"].astype(trap_years.years["total"].dtype)
    years = years[stays].reset_index(drop=True)
    found = replace(trap_years, intervals=kept.reset_index(drop=True), years=years)
    return found, dropped.assign(reason=reason)[list(none.columns)]
