"""The biofix table: the day from which heat is summed, place by place and season by season."""

from __future__ import annotations

import os
from collections.abc import Mapping

import numpy as np
import pandas as pd

from phenofit.errors import DataError
from phenofit.seasons import Season
from phenofit.tables import parse_dates, read_table
from phenofit.traps.cells import full_years

__all__ = ["biofix_starts", "read_biofix"]


def read_biofix(
    path: str | os.PathLike[str],
    *,
    dates: str,
    season: Season,
    columns: Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """Read a biofix table.

    Parameters
    ----------
    path : path-like
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
    table = full_years(table, ["date"], dates)
    found, problems = parse_dates(table, "date", dates)
    days = found.astype("datetime64[D]")
    year = season.year_of(days)
    sites = table.frame["site"]
    problems += [
        table.problem(int(i), "site", "the row names no site.", "Write the site of every row.")
        for i in np.flatnonzero(sites == "")
    ]
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
    frame.attrs = {"notes": table.notes, "file": table.file}
    return frame


def biofix_starts(biofix: pd.DataFrame) -> dict[tuple[str, int], np.datetime64]:
    """Return the start of the heat sum of each (site, season year) as the fit takes it."""
    return {
        (str(site), int(year)): date
        for site, year, date in zip(
            biofix["site"], biofix["year"], biofix["date"].to_numpy().astype("datetime64[ns]"), strict=True
        )
    }
