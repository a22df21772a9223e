"""The weather of a study: read or fetched, checked, and filled where the study asks for it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.errors import DataError, ModelError, Problem
from phenofit.progress import Progress
from phenofit.study.study_file import Study

_MOST_DOUBTED = 0.25
"""Share of a station's days above which a check is reported as a problem."""


def plain_columns(columns: Mapping[str, str | tuple[str, ...]]) -> dict[str, str]:
    """Return a column mapping that has one column name for each of ours."""
    wrong = [ours for ours, theirs in columns.items() if not isinstance(theirs, str)]
    if wrong:
        raise ModelError(f"column '{wrong[0]}' must be one column name of the file, not a list.")
    return {ours: theirs for ours, theirs in columns.items() if isinstance(theirs, str)}


def read_study_weather(
    study: Study, traps: pd.DataFrame | None, *, today: str | None = None, progress: Progress | None = None
) -> xr.Dataset | None:
    """Read or fetch the station weather of a study, run its checks on it, and fill gaps where it says so."""
    weather = _read_or_fetch(study, traps, today, progress)
    if weather is None:
        return None
    from phenofit.weather import check_weather, fill_weather

    part, say = study.weather, progress or (lambda _: None)
    if part.checks:
        say("checking the weather")
        read, weather = weather, check_weather(weather, checks=part.checks, keep=part.keep_flagged)
        _stop_where_too_much_is_doubted(study, read, weather)
    if part.fill:
        say("filling gaps in the weather")
        weather = fill_weather(
            weather,
            methods=part.fill,
            max_gap_days=part.max_gap_days,
            season=study.season_window(),
            max_share=part.max_filled_share,
        )
    return weather


def _stop_where_too_much_is_doubted(study: Study, read: xr.Dataset, checked: xr.Dataset) -> None:
    """Raise where a check rejects so much of a series that the series, or the check, must be wrong."""
    from phenofit.weather import has_flag

    before = read["tmin"].notnull() & read["tmax"].notnull()
    days = before.sum("time").to_numpy()
    problems = []
    for name in (c for c in study.weather.checks if c not in study.weather.keep_flagged):
        doubted = (has_flag(checked, name) & before).sum("time").to_numpy()
        for station, count, whole in zip(read["station"].to_numpy(), doubted, days, strict=True):
            if count > _MOST_DOUBTED * whole:
                finding = f"station '{station}': the check '{name}' doubts {count} of {whole} days with temperatures."
                remedy = f'Correct the series, or keep such days with [weather] keep_flagged = ["{name}"].'
                problems.append(Problem(finding, remedy, study.path.name, None, "weather.checks"))
    if problems:
        raise DataError(problems)


def _read_or_fetch(
    study: Study, traps: pd.DataFrame | None, today: str | None, progress: Progress | None
) -> xr.Dataset | None:
    part = study.weather
    if part.files:
        from phenofit.weather import WeatherForm, read_weather

        return read_weather(
            part.files,
            unit=part.unit,
            stations=part.stations,
            columns=plain_columns(part.columns),
            station_columns=plain_columns(part.station_columns),
            dates=part.dates,
            missing_codes=part.missing_codes,
            duplicates=part.duplicates,
            form=WeatherForm(
                part.form, part.times, part.utc_offset, part.day_starts, part.minimum_hours, part.keep_failed
            ),
        )
    if traps is None or part.years is None:
        return (
            None  # without positions there is nothing to ask for; the trap table's own problems are reported
        )
    from phenofit.weather import fetch_weather

    own = study.forecast.today
    return fetch_weather(
        traps,
        years=part.years,
        cache=study.weather_cache,
        max_distance_km=part.max_distance_km,
        today=today or (None if own is None else own.isoformat()),
        observations_only=not part.modelled,
        progress=progress,
    )


def stations_only(study: Study) -> xr.Dataset | None:
    """Return a dataset with the positions of the stations and one placeholder day, or None."""
    from phenofit.weather import new_dataset, read_stations

    if study.weather.stations is None:
        return None
    try:
        names = plain_columns(study.weather.station_columns)
        stations, _ = read_stations(study.weather.stations, columns=names)
    except DataError:
        return None  # its faults are reported with those of the weather
    day = np.array(["2000-01-01"], dtype="datetime64[D]")
    filler = np.zeros((len(stations), 1))
    return new_dataset(stations, day, filler, filler)
