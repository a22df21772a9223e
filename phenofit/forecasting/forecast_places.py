"""The places of a season forecast: the weather so far at each, and what continues it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import xarray as xr

from phenofit.errors import DataError, ModelError, Problem
from phenofit.forecasting.distribution import to_unit
from phenofit.forecasting.weather_years import SeasonEnsemble, StationSeries, station_series
from phenofit.heat.compiled.daily_kernels import running_heat
from phenofit.records import Records
from phenofit.seasons import Season

if TYPE_CHECKING:
    from phenofit.flight import FlightFit

_DAY = np.timedelta64(1, "D")
_FORECAST_SOURCE = 4


@dataclass(frozen=True)
class Place:
    """One place on the day of issue."""

    site: str  # Place and its station.
    station: str
    start: np.datetime64  # Day on which heat sums begin (datetime64[D]).
    ensemble: SeasonEnsemble  # The season, known up to `known_until` and continued by past ones.
    known_until: np.datetime64  # Last day whose weather is known.
    bridged_until: np.datetime64 | None  # Last day taken from a numerical weather forecast.


def season_places(
    records: Records, *, issued: np.datetime64, sites: Sequence[str] | None = None, bridge: bool = False
) -> tuple[list[Place], list[tuple[str, str]]]:
    """Return the places that can be forecast, and the others with the reason."""
    season, starts, weather = records.season, records.starts, records.weather
    year = season_year(season, issued)
    series = station_series(weather)
    found: list[Place] = []
    failed: list[tuple[str, str]] = []
    for site, station in records.places(sites):
        try:
            if station not in series:
                raise DataError(Problem("no weather station is linked to it.", "See the station limit."))
            start = _start(season, year, site, starts)
            before, bridged = _known(series[station], weather, issued, bridge)
            ensemble = series[station].continued(
                season, year, before=before, years=_past(series[station], year), start=start
            )
            found.append(Place(site, station, start, ensemble, before - _DAY, bridged))
        except DataError as error:
            failed.append((site, "; ".join(str(p) for p in error.problems)))
    if not found:
        raise DataError(
            [Problem(f"site '{site}' cannot be forecast: {reason}", "") for site, reason in failed]
        )
    return found, failed


def season_heat(fit: FlightFit, series: StationSeries, year: int) -> npt.NDArray[np.float64]:
    """Return the heat sum of a fit at the start of each day of a season [degC d]."""
    return np.asarray(_sums(fit, *series.season_rows(fit.settings.season, year))[0])


def place_heat(fit: FlightFit, place: Place) -> npt.NDArray[np.float64]:
    """Return the heat sum of a fit at each midnight of a season in every continuation, shape (members, days) [degC d]."""
    # The day after the season, and of a double method the last one, have no sum of their own.
    return _sums(fit, place.ensemble.tmin, place.ensemble.tmax)[:, :-2]


def _sums(
    fit: FlightFit, tmin: npt.NDArray[np.float64], tmax: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    how = fit.settings.heat
    rows = np.ascontiguousarray(tmin), np.ascontiguousarray(tmax)
    sums, _, _ = running_heat(*rows, fit.base, how.upper_or_inf, how.method_code, how.cutoff_code)
    return np.asarray(sums, dtype=np.float64)


def season_year(season: Season, day: np.datetime64) -> int:
    """Return the year in which the season of a day starts."""
    year = int(season.year_of(np.array([day], dtype="datetime64[D]"))[0])
    if year < 0:
        raise ModelError(f"{day} lies outside the season, which runs from {season.start} to {season.end}.")
    return year


def day_after_last(weather: xr.Dataset) -> np.datetime64:
    """Return the day after the last day on which any station has observed temperatures (datetime64[D])."""
    known = weather["tmin"].notnull() & weather["tmax"].notnull()
    if "source" in weather:
        known = known & (weather["source"] != _FORECAST_SOURCE)
    at = np.flatnonzero(known.any(dim="station").to_numpy())
    if at.size == 0:
        raise DataError(Problem("no station has a day with both temperatures.", "Check the weather table."))
    last: np.datetime64 = weather["time"].to_numpy()[at[-1]].astype("datetime64[D]") + _DAY
    return last


def _start(
    season: Season, year: int, site: str, starts: Mapping[tuple[str, int], np.datetime64] | None
) -> np.datetime64:
    if starts is None:
        return season.first_day(year)
    given = starts.get((site, year))
    if given is None or np.isnat(given):
        raise DataError(
            Problem(
                "it has no biofix date this season yet.", "Add its row to the biofix table once it is known."
            )
        )
    return to_unit(given, "D")


def _known(
    series: StationSeries, weather: xr.Dataset, issued: np.datetime64, bridge: bool
) -> tuple[np.datetime64, np.datetime64 | None]:
    """Return the first day whose weather is not known, and the last day of a numerical forecast."""
    known = np.isfinite(series.tmin) & np.isfinite(series.tmax)
    days = series.first + np.arange(series.tmin.size).astype("timedelta64[D]")
    ahead = np.zeros(days.size, dtype=bool)
    if "source" in weather:
        source = weather["source"].sel(station=series.station).to_numpy()
        ahead = known & (source == _FORECAST_SOURCE)
    seen = np.flatnonzero(known & ~ahead & (days < issued))
    before: np.datetime64 = days[seen[-1]] + _DAY if seen.size else series.first
    if not bridge:
        return before, None
    last = None
    # Forecast days count only as an unbroken run from the last observed day.
    while (at := int((before - series.first).astype(np.int64))) < days.size and ahead[at]:
        last, before = days[at], before + _DAY
    return before, last


def _past(series: StationSeries, year: int) -> tuple[int, ...]:
    first = int(str(series.first)[:4])
    return tuple(range(first - 1, year))
