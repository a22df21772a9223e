"""The numbers behind the figures of a report, computed apart from their drawing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from phenofit.flight.fitted_likelihood import records_of_fit
from phenofit.flight.kernels.curves import heat_at_share, share_flown
from phenofit.flight.likelihood.flight_data import assemble
from phenofit.flight.result import FlightFit
from phenofit.forecasting.event_heat import flight_shares
from phenofit.heat.compiled.daily_kernels import running_heat
from phenofit.records import Records
from phenofit.seasons import Season

_Array = NDArray[np.float64]
_BINS = 60
_NODES = 21


@dataclass(frozen=True)
class CatchCurve:
    """Catches and fitted flight on the heat scale."""

    edges: _Array  # Shape (bins + 1,): Edges of the heat classes [degC d].
    # Shape (bins,): Mean over trap-years of the share of the catch in each class [per cent of the season's
    # catch]; empty without records.
    caught: _Array
    # Shape (points,): Fitted share per class, the shifts of trap-years included [degC d; per cent per class].
    heat: _Array
    flown: _Array
    requirements: tuple[float, ...]  # Fitted heat at half of each flight [degC d].
    trap_years: int  # Trap-years shown.


@dataclass(frozen=True)
class SeasonHeat:
    """Heat through the seasons at one station."""

    station: str  # The station.
    days: _Array  # Shape (n,): Days since the season's start [d].
    past: dict[str, _Array]  # Heat of each whole season by its label, shape (n,) [degC d].
    # The season that is not over, NaN from the first day without weather on.
    current: tuple[str, _Array] | None
    bands: tuple[tuple[float, float, float], ...]  # Heat at 5, 50 and 95 % of each flight [degC d].


def flight_curve(fit: FlightFit, records: Records | None = None) -> CatchCurve:
    """Return the fitted flight on the heat scale, and the catches of all trap-years beside it where records are given."""
    edges = _heat_edges(fit)
    caught, trap_years = (np.zeros(0), 0) if records is None else _caught(fit, records, edges)
    grid = np.linspace(edges[0], edges[-1], 400)
    step = edges[1] - edges[0]
    flown = 100.0 * (_share_by(fit, grid + step / 2) - _share_by(fit, grid - step / 2))
    requirements = tuple(fit.requirement(g) for g in range(1, fit.settings.flights + 1))
    return CatchCurve(edges, caught, grid, flown, requirements, trap_years)


def _caught(fit: FlightFit, records: Records, edges: _Array) -> tuple[_Array, int]:
    """Return the mean share of the catch in each class of heat [per cent], and the number of trap-years."""
    data = assemble(records_of_fit(fit, records))
    heat, _, _ = data.heat_at_edges(fit.base, fit.settings.heat)
    low, high = heat[data.catch_left], heat[data.catch_right]
    owner = np.repeat(np.arange(data.trap_years), np.diff(data.catch_of))
    share = data.catch_count / data.totals[owner] / data.trap_years
    # The part of each interval's heat that lies below an edge; differences give the part in a class.
    width = np.maximum(high - low, 1e-9)
    below = np.clip((edges[None, :] - low[:, None]) / width[:, None], 0.0, 1.0)
    return 100.0 * np.diff((share[:, None] * below).sum(axis=0)), data.trap_years


def _heat_edges(fit: FlightFit) -> _Array:
    reach = [_flight_reach(fit, g) for g in range(1, fit.settings.flights + 1)]
    low, high = max(0.0, min(r[0] for r in reach)), max(r[1] for r in reach)
    return np.linspace(low, high, _BINS + 1)


def _flight_reach(fit: FlightFit, flight: int) -> tuple[float, float]:
    requirement, spread = fit.requirement(flight), fit.spread(flight)
    curve = fit.settings.curve
    return (
        heat_at_share(curve, 0.001, requirement, spread) - 2.0 * fit.shift_sd,
        heat_at_share(curve, 0.999, requirement, spread) + 2.0 * fit.shift_sd,
    )


def _share_by(fit: FlightFit, heat: _Array) -> _Array:
    """Return the share of a typical season's moths flown by each heat, averaged over the normal shifts."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    weights = weights / weights.sum()
    total = np.zeros(len(heat))
    for g, part in enumerate(flight_shares(fit), start=1):
        requirement, spread = fit.requirement(g), fit.spread(g)
        for node, weight in zip(nodes, weights, strict=True):
            shifted = heat - node * fit.shift_sd
            flown = [share_flown(fit.settings.curve, h, requirement, spread) for h in shifted]
            total += part * weight * np.array(flown)
    return total


def season_heat(fit: FlightFit, weather: xr.Dataset, station: str) -> SeasonHeat:
    """Return heat above the fitted base through every season at one station."""
    season, settings = fit.settings.season, fit.settings.heat
    series = weather.sel(station=station)
    years = _season_years(weather, season)
    length = min(len(season.days(year)) for year in years)
    past: dict[str, _Array] = {}
    current: tuple[str, _Array] | None = None
    final = weather["time"].values[-1].astype("datetime64[D]")
    for year in years:
        days = season.days(year)[:length].astype("datetime64[ns]")
        part = series.reindex(time=days)
        low, high = (part[name].to_numpy().astype(float)[None, :] for name in ("tmin", "tmax"))
        codes = (settings.upper_or_inf, settings.method_code, settings.cutoff_code)
        heat = running_heat(low, high, fit.base, *codes)[0][0, :length]
        if season.last_day(year) > final:
            current = (season.label(year), heat)
        elif np.isfinite(heat).all():
            past[season.label(year)] = heat
    starts, halves, ends = (
        [fit.event_amount(event, g) for g in range(1, fit.settings.flights + 1)]
        for event in ("flight_5", "flight_50", "flight_95")
    )
    bands = tuple(zip(starts, halves, ends, strict=True))
    return SeasonHeat(station, np.arange(length, dtype=float), past, current, bands)


def _season_years(weather: xr.Dataset, season: Season) -> list[int]:
    time = weather["time"].values.astype("datetime64[D]")
    found = np.unique(season.year_of(time))
    return [int(y) for y in found if y >= 0 and season.first_day(int(y)) >= time[0]]
