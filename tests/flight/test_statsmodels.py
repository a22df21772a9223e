"""The flight likelihood against plain NumPy, maximised by statsmodels and by scipy with numerical derivatives only."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from scipy.optimize import brentq, minimize
from statsmodels.base.model import GenericLikelihoodModel  # type: ignore[import-untyped]

from phenofit.flight import FlightFit
from phenofit.flight.estimate.maximise import Box, curvature, maximise
from phenofit.flight.likelihood.log_likelihood import Likelihood
from tests.calls import fit_flights
from tests.flight.networks import HEAT, SEASON, Network, network
from tests.flight.plain import Floats, PlainLikelihood

# About one standard error of each parameter: searches go by these units.
UNIT = np.array([1.0, 60.0, 0.15, 0.4, 0.7, 0.4])
# The truth behind the records: where every search begins.
START = np.array([10.0, 500.0, *np.log([60.0, 10.0, 40.0, 20.0])])
ENTRIES = ("base", "requirement_1", "log spread_1", "log concentration", "log group_sd", "log shift_sd")
STRAY = 0.001
# Three years fix the base too loosely for an interval of 95 % with two ends.
LEVEL = 0.8


@cache
def records() -> Network:
    """Four sites in three years, both shifts well away from zero."""
    return network(sites=4, years=3, seed=3, shift_sd_year=40.0, shift_sd=20.0, moths=80.0)


@cache
def plain() -> PlainLikelihood:
    return PlainLikelihood(records(), SEASON, stray=STRAY, points=121)


def slopes(at: Floats) -> Floats:
    """Central differences in the units of the search."""
    h = 1e-4 * np.diag(UNIT)
    return np.array([(plain()(at + e) - plain()(at - e)) / 2e-4 for e in h])


def plain_maximum(start: Floats, held: int | None = None) -> tuple[float, Floats]:
    """Highest log-likelihood by scipy's quasi-Newton search on differences of values; one entry may be held."""
    free = np.array([k for k in range(6) if k != held])

    def at(y: Floats) -> Floats:
        theta = start.copy()
        theta[free] += UNIT[free] * y
        return theta

    def minus(y: Floats) -> tuple[float, Floats]:
        return -plain()(at(y)), -slopes(at(y))[free]

    best = minimize(minus, np.zeros(len(free)), jac=True, method="BFGS", options={"gtol": 1e-5})
    assert np.abs(slopes(at(best.x))[free]).max() < 1e-4
    return -best.fun, at(best.x)


def vector(likelihood: Likelihood, theta: Floats) -> Floats:
    """The engine's vector; what the model does not have is zero."""
    given = dict(zip(ENTRIES, theta, strict=True)) | {"logit stray": math.log(STRAY / (1 - STRAY))}
    return np.array([given.get(name, 0.0) for name in likelihood.layout.names])


class Flight(GenericLikelihoodModel):  # type: ignore[misc]
    """The plain likelihood as statsmodels wants it: no derivatives, parameters in standard errors."""

    def loglike(self, params: Floats) -> float:
        return plain()(UNIT * params)


@cache
def engine_maximum() -> tuple[float, Floats, Floats]:
    """The engine's own search, run to a much smaller slope than a fit needs; value, estimates, covariance."""
    data = records().data()
    likelihood = Likelihood(data, HEAT, "normal", 1, data.table["year"].to_numpy(), nodes=(31, 9, 31))
    names = list(likelihood.layout.names)
    box = Box.of(likelihood.layout, (-5.0, 20.0), 2000.0)
    for name in set(names) - set(ENTRIES):
        box = box.hold(names.index(name))
    top = maximise(likelihood, vector(likelihood, START), box, np.diag(UNIT), tolerance=1e-6)
    assert top.success
    step = np.zeros(len(names))
    step[box.free] = 1e-3 * UNIT
    covariance = np.linalg.inv(curvature(likelihood, top.theta, box, step))
    return top.value, top.theta[box.free], covariance


def test_same_value_anywhere() -> None:
    data = records().data()
    likelihood = Likelihood(data, HEAT, "normal", 1, data.table["year"].to_numpy(), nodes=(41, 9, 41))
    dense = PlainLikelihood(records(), SEASON, stray=STRAY, points=801)
    rng = np.random.default_rng(5)
    for _ in range(5):
        theta = START + UNIT * rng.standard_normal(6)
        ours, _ = likelihood(vector(likelihood, theta), False)
        assert ours == pytest.approx(dense(theta), rel=1e-8)


def test_scipy_finds_the_same_maximum() -> None:
    highest, estimate, covariance = engine_maximum()
    value, theta = plain_maximum(START)
    error = np.sqrt(np.diag(covariance))
    assert highest == pytest.approx(value, rel=1e-6)
    assert np.abs((estimate - theta) / error).max() < 1e-3
    # Standard errors from differences of the plain slopes; 1e-4 is what differences of differences carry.
    h = 1e-3 * np.diag(UNIT)
    matrix = np.array([(slopes(theta - e) - slopes(theta + e)) / 2e-3 for e in h])
    theirs = UNIT * np.sqrt(np.diag(np.linalg.inv(0.5 * (matrix + matrix.T))))
    assert error == pytest.approx(theirs, rel=1e-4)


def test_statsmodels_finds_the_same_maximum() -> None:
    highest, estimate, covariance = engine_maximum()
    error = np.sqrt(np.diag(covariance))
    model = Flight(np.ones(len(plain().records)))
    found = model.fit(START / UNIT, method="bfgs", disp=0, gtol=1e-5, maxiter=200)
    assert highest == pytest.approx(found.llf, rel=1e-6)
    assert np.abs((estimate - UNIT * found.params) / error).max() < 1e-3
    # Its second differences of values give the standard errors to some three digits.
    assert error == pytest.approx(UNIT * found.bse, rel=1e-3)


@cache
def fitted() -> FlightFit:
    net = records()
    return fit_flights(
        net.trap_years,
        net.weather,
        net.links,
        season=SEASON,
        stray=STRAY,
        level=LEVEL,
        profiles=("base", "requirement_1"),
    )


def test_a_fit_as_users_run_it() -> None:
    # A fit stops as soon as the remaining gain does not matter: a few thousandths of a standard error.
    fit = fitted()
    highest, estimate, covariance = engine_maximum()
    error = np.sqrt(np.diag(covariance))
    p = fit.parameters
    logs = [p["spread_1"], p["concentration"], p["shift_sd_year"], p["shift_sd"]]
    theta = np.array([p["base"], p["requirement_1"], *np.log(logs)])
    assert fit.log_likelihood == pytest.approx(highest, rel=1e-6)
    assert np.abs((theta - estimate) / error).max() < 1e-3
    names = [
        "base",
        "requirement_1",
        "log spread_1",
        "log concentration",
        "log shift_sd_year",
        "log shift_sd",
    ]
    own = np.sqrt(np.diag(fit.covariance.loc[names, names]))
    assert own == pytest.approx(error, rel=1e-2)


def plain_root(place: int, value: float) -> float:
    """Root of twice the fall of the plain likelihood with one entry held, all others refitted from the engine's path."""
    name = ("base", "requirement_1")[place]
    profile = fitted().profile(name)
    near = profile.path[int(np.argmin(np.abs(profile.values - value)))][:6].copy()
    near[place] = value
    lower, _ = plain_maximum(near, held=place)
    return math.sqrt(2.0 * (engine_maximum()[0] - lower))


@pytest.mark.parametrize("place", [0, pytest.param(1, marks=pytest.mark.slow)])
def test_profile_and_interval_ends_are_those_of_the_plain_likelihood(place: int) -> None:
    name = ("base", "requirement_1")[place]
    profile = fitted().profile(name)
    for k in (0, -1):
        assert math.sqrt(profile.deviance[k]) == pytest.approx(plain_root(place, profile.values[k]), abs=5e-4)
    # Between its points a profile is interpolated.
    cut = profile.root_at(LEVEL)
    for end in fitted().interval(name, LEVEL):
        assert end is not None
        assert plain_root(place, end) == pytest.approx(cut, abs=5e-3)


@pytest.mark.slow
def test_interval_of_the_base_by_root_finding() -> None:
    cut = fitted().profile("base").root_at(LEVEL)
    low, high = fitted().interval("base", LEVEL)
    estimate, width = fitted().base, engine_maximum()[2][0, 0] ** 0.5
    for end, far in ((low, estimate - 3.0 * width), (high, 20.0)):
        near = estimate + 0.2 * (far - estimate)
        found = brentq(lambda b: plain_root(0, b) - cut, near, far, xtol=1e-4)
        assert end == pytest.approx(found, abs=5e-3 * width)
