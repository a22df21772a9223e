"""First catches alone: interval-censored events on the heat scale, against survival analysis and brute force."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import numpy.typing as npt
import pytest
from lifelines import LogLogisticFitter, LogNormalFitter, WeibullFitter  # type: ignore[import-untyped]
from scipy.optimize import minimize
from scipy.special import ndtr

from phenofit.flight import FlightFit
from tests.calls import fit_flights
from tests.flight.networks import SEASON, Network, network

Floats = npt.NDArray[np.float64]
BASE = 10.0


@cache
def records() -> Network:
    """Eight sites in five years; of one trap-year nothing is known before the first moth."""
    net = network(sites=8, years=5, seed=9, shift_sd_year=30.0, shift_sd=25.0)
    frame = net.trap_years.intervals
    caught = frame[(frame["trap_year"] == 7) & (frame["count"] > 0)]
    late = frame[(frame["trap_year"] != 7) | (frame["end"] >= caught["end"].min())]
    return replace(net, trap_years=replace(net.trap_years, intervals=late))


@dataclass(frozen=True)
class Events:
    """Heat at the last check without a moth and at the first with one, and the year."""

    low: Floats
    high: Floats
    year: npt.NDArray[np.int64]


@cache
def events() -> Events:
    """Read from the records by hand; no help from the package."""
    net = records()
    time = net.weather["time"].to_numpy().astype("datetime64[D]")
    station = dict(zip(net.links["trap"], net.links["station"], strict=True))
    low, high, years = [], [], []
    for _, rows in net.trap_years.intervals.groupby("trap_year"):
        ordered = rows.sort_values("end")
        caught = np.flatnonzero(ordered["count"].to_numpy() > 0)
        assert caught.size
        k = int(caught[0])
        year = int(ordered["year"].iloc[0])
        inside = (time >= SEASON.first_day(year)) & (time <= SEASON.last_day(year))
        there = net.weather.sel(station=station[ordered["trap"].iloc[0]])
        tmin, tmax = (there[v].to_numpy()[inside] for v in ("tmin", "tmax"))
        mean, half = (tmin + tmax) / 2, (tmax - tmin) / 2
        part = np.clip((BASE - mean) / half, -1.0, 1.0)
        daily = half / np.pi * (np.sqrt(1 - part**2) - part * np.arccos(part))
        # Above the base all day, a day's heat is its mean above the base.
        heat = np.append(0.0, np.cumsum(np.where(tmin >= BASE, mean - BASE, daily)))
        first = SEASON.first_day(year).astype("datetime64[ns]")
        ends = (ordered["end"].to_numpy() - first) / np.timedelta64(1, "D")
        at = np.interp(ends, np.arange(len(heat)), heat)
        low.append(at[k - 1] if k else 0.0)
        high.append(at[k])
        years.append(year)
    return Events(np.array(low), np.array(high), np.array(years))


def fit(**options: object) -> FlightFit:
    net = records()
    settings = {"season": SEASON, "records": "first catch", "base": BASE, "stray": 0.0, "profiles": False}
    return fit_flights(net.trap_years, net.weather, net.links, **{**settings, **options})


def agree(found: FlightFit, names: list[str], values: Floats, errors: Floats, highest: float) -> None:
    """Value to a millionth, estimates to what a fit's search leaves, standard errors."""
    assert found.log_likelihood == pytest.approx(highest, rel=1e-6)
    ours = np.array([found.parameters[n] for n in names])
    ours = np.append(ours[0], np.log(ours[1:]))
    assert np.abs((ours - values) / errors).max() < 1e-2
    order = [names[0], *(f"log {n}" for n in names[1:])]
    assert np.sqrt(np.diag(found.covariance.loc[order, order])) == pytest.approx(errors, rel=1e-2)


def maximum(value: Callable[[Floats], float], start: Floats, unit: Floats) -> tuple[Floats, Floats, float]:
    """Estimates, standard errors and height by scipy and differences of a plain function."""
    steps = 1e-4 * np.diag(unit)

    def slope(x: Floats) -> Floats:
        return np.array([(value(x + e) - value(x - e)) / 2e-4 for e in steps])

    def minus(y: Floats) -> tuple[float, Floats]:
        return -value(start + unit * y), -slope(start + unit * y)

    best = minimize(minus, np.zeros(len(start)), jac=True, method="BFGS", options={"gtol": 1e-6})
    x = start + unit * best.x
    matrix = np.array([(slope(x - 10 * e) - slope(x + 10 * e)) / 2e-3 for e in steps])
    return x, unit * np.sqrt(np.diag(np.linalg.inv(0.5 * (matrix + matrix.T)))), -best.fun


def test_normal_events_without_a_year_shift() -> None:
    e = events()
    assert e.low.min() == 0.0

    def value(x: Floats) -> float:
        s = math.exp(x[1])
        return float(np.log(ndtr((e.high - x[0]) / s) - ndtr((e.low - x[0]) / s)).sum())

    plain = maximum(value, np.array([400.0, 4.0]), np.array([10.0, 0.15]))
    agree(fit(shifts=()), ["requirement_1", "spread_1"], *plain)


@pytest.mark.parametrize("curve", ["Weibull", "log-logistic", "log-normal"])
def test_log_heat_events_by_lifelines(curve: str) -> None:
    e = events()
    fitter = {"Weibull": WeibullFitter, "log-logistic": LogLogisticFitter, "log-normal": LogNormalFitter}[
        curve
    ]()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitter.fit_interval_censoring(e.low, e.high)
    theirs, error = fitter.summary["coef"].to_numpy(), fitter.summary["se(coef)"].to_numpy()
    found = fit(shifts=(), curve=curve)
    assert found.log_likelihood == pytest.approx(fitter.log_likelihood_, rel=1e-6)
    m, c = found.requirement(), found.spread() / found.requirement()
    if curve == "Weibull":
        shape = math.pi / math.sqrt(6.0) / c
        ours = np.array([m / math.log(2.0) ** (1.0 / shape), shape])
    elif curve == "log-logistic":
        ours = np.array([m, math.pi / math.sqrt(3.0) / c])
    else:
        ours = np.array([math.log(m), c])
    assert np.abs((ours - theirs) / error).max() < 1e-2


def test_a_shift_of_each_year_by_brute_force() -> None:
    e = events()
    grid = np.linspace(-8.0, 8.0, 161)
    weight = np.exp(-0.5 * grid**2) * (grid[1] - grid[0]) / math.sqrt(2 * math.pi)

    def value(x: Floats) -> float:
        m, s, sd = x[0], math.exp(x[1]), math.exp(x[2])
        median = m + sd * grid[:, None]
        chance = ndtr((e.high - median) / s) - ndtr((e.low - median) / s)
        return float(sum(np.log(weight @ chance[:, e.year == y].prod(axis=1)) for y in np.unique(e.year)))

    plain = maximum(value, np.array([400.0, 4.0, 3.0]), np.array([10.0, 0.15, 0.4]))
    found = fit(shifts=("year", "trap-year"))
    agree(found, ["requirement_1", "spread_1", "shift_sd_year"], *plain)
    # What differs from trap-year to trap-year is in the spread, and the fit says so.
    assert "shift_sd" not in found.parameters
    assert any("first catch is one event" in p for p in found.problems)
