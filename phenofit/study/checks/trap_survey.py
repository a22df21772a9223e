"""What a check says of each trap: its weather, how like its neighbours the station is, and how long its intervals are."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.seasons import Season
from phenofit.traps import TrapYears
from phenofit.weather import neighbour_offsets

LONGEST_SHOWN = 10
LARGE_OFFSET = 1.5
"""Difference of a station from its neighbours [degC] from which a note names the station."""


def weather_of_traps(
    links: pd.DataFrame, weather: xr.Dataset, catches: pd.DataFrame, season: Season
) -> pd.DataFrame:
    """Return the links with ``share_covered`` and the ``offset`` [degC] of the station from ``neighbours`` stations.

    ``share_covered`` is the share of days with both temperatures, from the start of each season to the last check of
    any trap in it. Temperatures that are interpolated to the traps have no offset.
    """
    days = weather["time"].to_numpy().astype("datetime64[D]")
    wanted = _season_days(catches, season)
    whole = (weather["tmin"].notnull() & weather["tmax"].notnull()).transpose("station", "time").to_numpy()
    within = np.isin(days, wanted)
    share = whole[:, within].sum(axis=1) / max(len(wanted), 1)
    table = pd.DataFrame({"station": weather["station"].to_numpy().astype(str), "share_covered": share})
    offsets = neighbour_offsets(weather.isel(time=within))
    found = links.assign(station=links["station"].astype(str)).merge(table, on="station", how="left")
    found = found.merge(offsets, on="station", how="left")
    measured = found["how"] != "interpolated"
    return found.assign(
        offset=found["offset"].where(measured), neighbours=found["neighbours"].where(measured, 0)
    )


def _season_days(catches: pd.DataFrame, season: Season) -> np.ndarray:
    """Return the days from the start of each season to its last check."""
    checks = catches["check"].dropna().to_numpy().astype("datetime64[D]")
    years = season.year_of(checks)
    days = [
        np.arange(season.first_day(int(year)), checks[years == year].max() + 1)
        for year in np.unique(years[years >= 0])
    ]
    return np.concatenate(days) if days else np.zeros(0, dtype="datetime64[D]")


def offset_notes(table: pd.DataFrame) -> list[str]:
    """Name the stations that differ much from their neighbours."""
    once = table.drop_duplicates("station")
    far = once[once["offset"].abs() >= LARGE_OFFSET]
    return [
        f"station '{station}' is {abs(offset):.1f} °C {'warmer' if offset > 0 else 'colder'} than "
        f"{int(near)} neighbouring station{'s' if near > 1 else ''}, heights allowed for; look at its site, height and unit."
        for station, offset, near in zip(far["station"], far["offset"], far["neighbours"], strict=True)
    ]


def _spans(trap_years: Mapping[str, TrapYears]) -> pd.DataFrame:
    """Return the intervals of all species: ``species, trap, start, end, days, row``."""
    columns = ["species", "trap", "start", "end", "row"]
    tables = [found.intervals.assign(species=name)[columns] for name, found in trap_years.items()]
    every = pd.concat(tables, ignore_index=True)
    length = (every["end"] - every["start"]).to_numpy()
    return every.assign(days=length / np.timedelta64(1, "D"))


def interval_lengths(trap_years: Mapping[str, TrapYears]) -> pd.DataFrame:
    """Return by trap ``checks, median_days, longest_days`` of the intervals; those of several species count once."""
    spans = _spans(trap_years).drop_duplicates(["trap", "start", "end"])
    days = spans.groupby("trap", sort=False)["days"]
    table = days.agg(checks="size", median_days="median", longest_days="max")
    return table.reset_index()


def longest_intervals(trap_years: Mapping[str, TrapYears], shown: int = LONGEST_SHOWN) -> pd.DataFrame:
    """Return the longest intervals: ``species, trap, start, end, days, row``, the longest first."""
    spans = _spans(trap_years)
    order = spans.sort_values(["days", "start", "trap"], ascending=[False, True, True], kind="stable")
    once = order.drop_duplicates(["trap", "start", "end"])
    return once.head(shown).reset_index(drop=True)
