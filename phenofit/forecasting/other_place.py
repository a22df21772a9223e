"""A place outside of the network: its station, and what its forecast must add to that of a known site."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import DataError, ModelError, Problem
from phenofit.flight.diagnostics.station_differences import TemperatureRule, site_places, temperature_rule
from phenofit.forecasting.weather_years import StationSeries, station_series
from phenofit.heat.compiled.daily_kernels import running_heat
from phenofit.weather.links import link_stations

if TYPE_CHECKING:
    from phenofit.flight import FlightFit
    from phenofit.records import Records


@dataclass(frozen=True)
class OtherPlace:
    """A place without records.

    Attributes
    ----------
    name : str
        Its position, as its name.
    records : Records
        The records, with the place in the trap table and its station in the links.
    shift_sd : float
        SD of the place's own shift: sites of the network, and what the distance of its station adds [degC d].
    words : str
        Station, distance, and what the interval holds, in a sentence.
    """

    name: str
    records: Records
    shift_sd: float
    words: str


def other_place(
    fit: FlightFit,
    records: Records,
    position: tuple[float, float],
    *,
    elevation_m: float | None = None,
    covariates: Mapping[str, object] | None = None,
    max_distance_km: float = 40.0,
) -> OtherPlace:
    r"""Add a place without records to those that can be forecast.

    Parameters
    ----------
    fit : FlightFit
        The fitted flights.
    records : Records
        Weather and, where known, the distances of the network's own stations.
    position : tuple of float
        Latitude and longitude [degrees].
    elevation_m : float, optional
        Height of the place [m]; without it no difference of height is counted.
    covariates : mapping, optional
        Values of the fit's covariates at the place.
    max_distance_km : float
        Largest distance of a station [km].

    Returns
    -------
    OtherPlace
        For :func:`phenofit.forecasting.forecast` with ``sites=[place.name]`` and ``shifts={place.name: (0.0, place.shift_sd)}``.

    Raises
    ------
    ModelError
        If the position is not valid, or a covariate has no value.
    DataError
        If no station is in reach, or its temperatures do not reach the flight.

    Notes
    -----
    The variance of the place's own shift is that between the sites of the fit plus
    :math:`D^2 (\tau^2 - \tau_0^2)`: :math:`D` the change of the heat sum at half of the first flight with a degree more,
    :math:`\tau` the expected difference of temperature by distance and height of the station (see
    :func:`phenofit.flight.station_check`), and :math:`\tau_0` that of the network's own traps, which the variation between sites
    holds already; nothing is subtracted where the place is nearer to its station than they are to theirs.
    """
    latitude, longitude = position
    if not (-90.0 <= latitude <= 90.0 and -180.0 <= longitude <= 180.0):
        raise ModelError(f"{latitude:g},{longitude:g} is no latitude and longitude in degrees.")
    lacking = [name for name in fit.settings.covariates if name not in (covariates or {})]
    if lacking:
        raise ModelError(f"the fit has effects of {', '.join(lacking)}; say what they are at the place.")
    name = _position_words(latitude, longitude)
    row = {"trap": name, "site": name, "latitude": latitude, "longitude": longitude}
    place = pd.DataFrame(
        [{**row, "elevation_m": math.nan if elevation_m is None else elevation_m, **(covariates or {})}]
    )
    link = link_stations(place, records.weather, max_distance_km=max_distance_km)
    station, far = str(link["station"].iloc[0]), float(link["distance_km"].iloc[0])
    higher = float(link["height_difference_m"].iloc[0])
    effective, days = _effective_days(fit, station_series(records.weather)[station])
    rule = temperature_rule(records.weather, days)
    own = rule.expected_sd(far, 0.0 if math.isnan(higher) else higher)
    beyond = math.sqrt(max(own**2 - _network_square(rule, records), 0.0))
    site_sd = fit.parameters.get("shift_sd_site", 0.0)
    added = effective * beyond
    height = "height of the place not given" if math.isnan(higher) else f"{higher:+.0f} m"
    sites = (
        f"between sites (SD {site_sd:.0f} °C-days) and trap-years"
        if site_sd
        else "between trap-years, sites included"
    )
    words = (
        f"{name} is outside of the network: weather of station {station}, {far:.1f} km away, {height}. Its intervals hold the "
        f"variation {sites}, and SD {added:.0f} °C-days for the distance and height of the station: {rule.words}."
    )
    traps = place if records.traps is None else pd.concat([records.traps, place], ignore_index=True)
    links = pd.concat([records.links, link], ignore_index=True)
    return OtherPlace(name, replace(records, traps=traps, links=links), math.hypot(site_sd, added), words)


def _position_words(latitude: float, longitude: float) -> str:
    sides = "N" if latitude >= 0 else "S", "E" if longitude >= 0 else "W"
    return f"{abs(latitude):.3f}° {sides[0]} {abs(longitude):.3f}° {sides[1]}"


def _network_square(rule: TemperatureRule, records: Records) -> float:
    """Return the mean square of the expected difference between the network's traps and their stations [degC2]."""
    years = records.trap_years.years
    if not len(years) or "distance_km" not in records.links:
        return 0.0
    known = site_places(years, records.links)[["distance_km", "height_difference_m"]].fillna(0.0).to_numpy()
    return (
        float(np.mean([rule.expected_sd(far, higher) ** 2 for far, higher in known])) if len(known) else 0.0
    )


def _effective_days(fit: FlightFit, series: StationSeries) -> tuple[float, npt.NDArray[np.datetime64]]:
    """Return the change of the heat sum with a degree more, at half of the first flight, and the days up to it."""
    season, how = fit.settings.season, fit.settings.heat
    found, days = [], []
    for year in range(int(str(series.first)[:4]), int(str(series.last)[:4]) + 1):
        rows = series.season_rows(season, year)
        heat, by_base, by_upper = running_heat(
            *rows, fit.base, how.upper_or_inf, how.method_code, how.cutoff_code
        )
        at = int(np.searchsorted(np.nan_to_num(heat[0], nan=np.inf), fit.requirement()))
        if at < heat.shape[1] and np.isfinite(heat[0, at]):
            found.append(-(by_base[0, at] + by_upper[0, at]))
            days.append(season.first_day(year) + np.arange(at))
    if not found:
        finding = f"the temperatures of station {series.station} do not reach half of the flight in any year."
        raise DataError(Problem(finding, "Give whole seasons of this station, or another station."))
    return float(np.mean(found)), np.concatenate(days)
