"""What the field page looks up: dates of events by the shift of a place, heat by day, and the flight on heat and shift."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import DataError, ModelError, Problem
from phenofit.flight.fit_at_place import fit_at_site
from phenofit.flight.fitted_likelihood import records_of_fit
from phenofit.flight.kernels.curves import curve_code, shares_flown
from phenofit.forecasting.distribution import ranked
from phenofit.forecasting.event_heat import HeatDraws, flight_shares, kept_drawing, place_shift
from phenofit.forecasting.forecast_places import Place, place_heat, season_heat, season_places, season_year
from phenofit.forecasting.local.local_check import known_season_dates
from phenofit.forecasting.local.place_posterior import SpreadCase, spread_cases, usual_spreads
from phenofit.forecasting.stage_windows import StageLag, stage_days
from phenofit.forecasting.weather_years import StationSeries, station_series

if TYPE_CHECKING:
    from phenofit.flight import FlightFit
    from phenofit.records import Records

EVENTS = ("flight_5", "flight_50", "flight_95")
QUANTILES = (
    0.005, 0.025, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5,
    0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95, 0.975, 0.995,
)  # fmt: skip
"""Chances whose dates are kept."""
PAST_SEASONS = 2
"""Seasons before the present one whose scouting dates can be entered."""
_SHIFTS = 33  # number of shifts of a place for which dates are kept
_LEAST_REACH = 200.0  # these shifts go at least so far from zero: about two to three weeks [degC d]
_GRID = 161  # number of shifts for which the flight is kept
_HEATS = 300
_REACH_SDS = 8.0
_DAY = np.timedelta64(1, "D")
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class FlightTable:
    """Share of the season's moths that has flown, on a grid of heat and of the shift of the place."""

    requirements: tuple[float, ...]  # Heat at half of each flight [degC d].
    heat: Floats  # Shape (heats,): Heat sum [degC d].
    shift: Floats  # Shape (shifts,): Shift of the place [degC d].
    flown: Floats  # Shape (heats, shifts): Share of the moths [1].


@dataclass(frozen=True)
class PlaceTable:
    """One place: its heat and its dates."""

    site: str
    station: str
    latitude: float
    longitude: float
    distance_km: float
    known_until: np.datetime64
    past_seasons: int
    table: int  # Which of the flight tables holds here: there are several where covariates move the flight.
    heat: Mapping[
        int, Floats
    ]  # Heat at the midnights of each season by its year, shape (days + 1,); NaN unknown.
    # Days from the start to half of each flight by the network, the weather of a whole season known: 2.5, 50 and
    # 97.5 %, shape (flights, 3), by the year of the season.
    seen: Mapping[int, Floats]
    ahead: Floats  # Shape (3, days + 1): 2.5, 50 and 97.5 % of the heat in the continuations [degC d].
    # Shape (flights, events + stages, quantiles): Days from the start of the season; and by the shift of the place,
    # shape (flights, events + stages, shifts, quantiles).
    dates: Floats
    shifted: Floats


@dataclass(frozen=True)
class SpeciesTables:
    """All that the page needs to know about one species."""

    fit: FlightFit
    season: str  # Label of the present season.
    year: int
    issued: np.datetime64
    flights: tuple[FlightTable, ...]
    shifts: Floats  # Shape (shifts,): Shifts of a place whose dates are kept [degC d].
    cases: tuple[SpreadCase, ...]  # How much places and seasons may differ.
    places: tuple[PlaceTable, ...]
    failed: tuple[tuple[str, str], ...]
    lags: tuple[StageLag, ...] = ()  # Of the stages that are dated after the events.


def species_tables(
    fit: FlightFit,
    records: Records,
    *,
    issued: np.datetime64,
    lags: Sequence[StageLag] = (),
    draws: int = 600,
    seed: int = 1,
) -> SpeciesTables:
    """Compute the tables of one species at every site of its records.

    Raises
    ------
    ModelError
        If the fit counts from a biofix or did not converge, or the day lies outside every season.
    DataError
        If no place can be forecast.
    """
    if fit.settings.biofix:
        raise ModelError("the field page needs a fit that counts from a date, not from a biofix.")
    if not fit.converged:
        raise ModelError("the fit did not converge, so its dates would mean nothing.")
    records = records_of_fit(fit, records)
    found, failed = season_places(records, issued=issued)
    series = station_series(records.weather)
    cases = spread_cases(fit)
    place_sd, season_sd = usual_spreads(cases)
    shifts = np.linspace(-1.0, 1.0, _SHIFTS) * max(_REACH_SDS / 2.0 * place_sd, _LEAST_REACH)
    year = season_year(fit.settings.season, issued)
    where = _positions(records)
    places = []
    kinds: dict[tuple[float, ...], FlightFit] = {}
    for place in found:
        try:
            here = fit_at_site(fit, place.site, records.traps)
        except ModelError as error:
            failed.append((place.site, str(error)))
            continue
        dates, shifted = _dates(here, place, shifts, lags, (draws, seed))
        heat = {
            y: _heat(here, series[place.station], y, place.known_until)
            for y in range(year - PAST_SEASONS, year + 1)
        }
        known = {y: sums for y, sums in heat.items() if np.isfinite(sums[1:]).any()}
        kind = _kind(here)
        kinds.setdefault(kind, here)
        at = where.get(place.site, (math.nan, math.nan, math.nan))
        places.append(
            PlaceTable(
                place.site, place.station, *at, place.known_until, len(place.ensemble.years),
                list(kinds).index(kind), known, _known_dates(here, series[place.station], tuple(known), (draws, seed)),
                np.quantile(place_heat(here, place), [0.025, 0.5, 0.975], axis=0), dates, shifted,
            )
        )  # fmt: skip
    if not places:
        raise DataError([Problem(f"site '{site}': {reason}", "") for site, reason in failed])
    label = fit.settings.season.label(year)
    sd = math.hypot(place_sd, season_sd)
    tables = tuple(
        _flight_table(one, [place for place in places if place.table == k], sd)
        for k, one in enumerate(kinds.values())
    )
    return SpeciesTables(
        fit, label, year, issued, tables, shifts, cases, tuple(places), tuple(failed), tuple(lags)
    )


def _kind(fit: FlightFit) -> tuple[float, ...]:
    flights = range(1, fit.settings.flights + 1)
    return tuple(value for g in flights for value in (fit.requirement(g), fit.spread(g)))


def _positions(records: Records) -> dict[str, tuple[float, float, float]]:
    """Return latitude, longitude and distance of the station by site: the means over its traps."""
    years = records.trap_years.years.drop_duplicates("trap")
    links = records.links.assign(trap=records.links["trap"].astype(str))
    far = links.set_index("trap")["distance_km"] if "distance_km" in links else pd.Series(dtype=float)
    table = years.assign(distance_km=years["trap"].astype(str).map(far).astype(float))
    means = table.groupby("site")[["latitude", "longitude", "distance_km"]].mean()
    return {
        str(site): (float(row[0]), float(row[1]), float(row[2]))
        for site, row in zip(means.index, means.to_numpy(), strict=True)
    }


def _dates(
    fit: FlightFit, place: Place, shifts: Floats, lags: Sequence[StageLag], numbers: tuple[int, int]
) -> tuple[Floats, Floats]:
    """Return the quantiles of the dates of a place as it is known, and at each shift of its own."""
    draws, seed = numbers
    usual, moved = [], []
    for flight in range(1, fit.settings.flights + 1):
        drawing = kept_drawing(fit, tuple(EVENTS), flight=flight, draws=draws, seed=seed)
        asked = (place_shift(fit, place.site), *((float(s), 0.0) for s in shifts))
        every = [drawing.at(shift) for shift in asked]
        # All shifts in one walk through the season: each is one more amount to be reached.
        names = tuple(f"{event} {k}" for k in range(len(asked)) for event in EVENTS)
        heat = HeatDraws(every[0].base, np.hstack([one.amount for one in every]), names, every[0].upper)
        days = heat.crossings(place.ensemble.tmin, place.ensemble.tmax, fit.settings.heat)
        if np.isnan(days).any():
            raise DataError(Problem(f"station {place.station} lacks temperatures.", "Fill the gap."))
        table = _quantiles(days).reshape(len(asked), len(EVENTS), len(QUANTILES))
        if lags:
            late = stage_days(fit, place, lags, asked, flight=flight, draws=draws, seed=seed)
            stages = _quantiles(late.reshape(-1, draws).T).reshape(len(lags), len(asked), len(QUANTILES))
            table = np.concatenate([table, np.moveaxis(stages, 0, 1)], axis=1)
        usual.append(table[0])
        moved.append(np.moveaxis(table[1:], 0, 1))
    return np.array(usual), np.array(moved)


def _quantiles(days: Floats) -> Floats:
    """Return the quantiles of draws by event, shape (events, quantiles)."""
    ordered = np.sort(days.T, axis=1)
    return np.stack([ranked(ordered, share) for share in QUANTILES], axis=1)


def _known_dates(
    fit: FlightFit, series: StationSeries, years: Sequence[int], numbers: tuple[int, int]
) -> dict[int, Floats]:
    found = {}
    for year in years:
        dates = [
            known_season_dates(fit, series, year, g, *numbers) for g in range(1, fit.settings.flights + 1)
        ]
        if all(one is not None for one in dates):
            found[year] = np.array(
                [[one.quantile_days(q) for q in (0.025, 0.5, 0.975)] for one in dates if one is not None]
            )
    return found


def _heat(fit: FlightFit, series: StationSeries, year: int, known_until: np.datetime64) -> Floats:
    """Return the heat sum at each midnight of a season, NaN after the last day that is known."""
    sums = season_heat(fit, series, year)[:-1]
    midnights = fit.settings.season.first_day(year) + np.arange(sums.size)
    return np.where(midnights <= known_until + _DAY, sums, np.nan)


def _flight_table(fit: FlightFit, places: Sequence[PlaceTable], sd: float) -> FlightTable:
    """Return the flight on heat and shift, as wide as the local check looks."""
    reach = _REACH_SDS * sd
    for place in places:
        for sums in place.heat.values():
            known = sums[np.isfinite(sums)]
            at = int(np.searchsorted(known, fit.requirement()))
            if 0 < at < known.size:
                low, high = max(at - 60, 0), min(at + 60, known.size - 1)
                reach = max(reach, known[at] - known[low], known[high] - known[at])
    top = max(float(np.nanmax(sums)) for place in places for sums in (*place.heat.values(), place.ahead))
    heat, shift = np.linspace(0.0, top, _HEATS), np.linspace(-reach, reach, _GRID)
    code, flown = curve_code(fit.settings.curve), np.zeros((_HEATS, _GRID))
    for g, weight in enumerate(flight_shares(fit), start=1):
        middle, spread = fit.requirement(g), fit.spread(g)
        flown += weight * shares_flown(code, heat, middle + shift, middle, spread).T
    requirements = tuple(fit.requirement(g) for g in range(1, fit.settings.flights + 1))
    return FlightTable(requirements, heat, shift, np.clip(flown, 0.0, 1.0))
