"""Independent Poisson catches, one free abundance for each trap-year: the multinomial engine by another name.

With ``mu_ij = lambda_i p_ij`` and every `lambda_i` free, the Poisson likelihood maximised over the abundances is that
of the counts given their totals times a factor without the timing parameters. Common practice, no source; fitted here
by the generalised linear model of statsmodels, with ``log p`` as offset and one dummy for each trap-year.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import numpy.typing as npt
import pytest
import statsmodels.api as sm  # type: ignore[import-untyped]
from scipy.optimize import minimize
from scipy.special import gammaln, ndtr

from phenofit.flight.likelihood.log_likelihood import Likelihood
from tests.calls import fit_flights
from tests.flight.networks import HEAT, SEASON, Network, network

Floats = npt.NDArray[np.float64]
STRAY = 0.001


@cache
def records() -> Network:
    """Moths that come independently, the same timing everywhere: what the model says."""
    return network(sites=3, years=2, seed=6, shift_sd_year=0.0, shift_sd=0.0, concentration=1e6)


def chances(theta: Floats) -> tuple[Floats, Floats, npt.NDArray[np.int64]]:
    """Chance and count of every check at (base, requirement, log spread), and the number of its trap-year."""
    base, requirement, log_spread = theta
    net = records()
    time = net.weather["time"].to_numpy().astype("datetime64[D]")
    station = dict(zip(net.links["trap"], net.links["station"], strict=True))
    chance, count, owner = [], [], []
    for k, (_, rows) in enumerate(net.trap_years.intervals.groupby("trap_year")):
        year = int(rows["year"].iloc[0])
        inside = (time >= SEASON.first_day(year)) & (time <= SEASON.last_day(year))
        there = net.weather.sel(station=station[rows["trap"].iloc[0]])
        low, high = (there[v].to_numpy()[inside] for v in ("tmin", "tmax"))
        middle, half = (high + low) / 2, (high - low) / 2
        turn = np.arcsin(np.clip((base - middle) / half, -1, 1))
        daily = ((middle - base) * (np.pi / 2 - turn) + half * np.cos(turn)) / np.pi
        heat = np.append(0.0, daily.cumsum())
        first = SEASON.first_day(year).astype("datetime64[ns]")
        moments = [(rows[c].to_numpy() - first) / np.timedelta64(1, "D") for c in ("start", "end")]
        flown = [
            ndtr((np.interp(m, np.arange(len(heat)), heat) - requirement) / math.exp(log_spread))
            for m in moments
        ]
        step, length = flown[1] - flown[0], moments[1] - moments[0]
        chance.append((1 - STRAY) * step / step.sum() + STRAY * length / length.sum())
        count.append(rows["count"].to_numpy(dtype=float))
        owner.append(np.full(len(rows), k))
    return np.concatenate(chance), np.concatenate(count), np.concatenate(owner)


def poisson(theta: Floats) -> float:
    """Log-likelihood of the Poisson model, its abundances fitted by statsmodels."""
    p, n, owner = chances(theta)
    dummies = (owner[:, None] == np.arange(owner.max() + 1)).astype(float)
    model = sm.GLM(n, dummies, family=sm.families.Poisson(), offset=np.log(p))
    return float(model.fit(tol=1e-14, maxiter=200).llf)


def factor() -> float:
    """Log chance of the totals at the fitted abundances: what the two likelihoods differ by."""
    _, n, owner = chances(np.array([10.0, 500.0, 4.0]))
    totals = np.bincount(owner, n)
    return float((totals * np.log(totals) - totals - gammaln(totals + 1)).sum())


@cache
def engine(counts: str) -> Likelihood:
    data = records().data()
    return Likelihood(data, HEAT, "normal", 1, np.full(data.trap_years, -1), own_shift=False, counts=counts)


def multinomial(theta: Floats) -> float:
    return _value("multinomial", theta, 1.0)


def endless_concentration(theta: Floats) -> float:
    """The Dirichlet-multinomial, extrapolated from three concentrations to an infinite one."""
    one, two, four = (_value("dirichlet-multinomial", theta, phi) for phi in (1e5, 2e5, 4e5))
    first, second = 2 * two - one, 2 * four - two
    return (4 * second - first) / 3


def _value(counts: str, theta: Floats, concentration: float) -> float:
    given = dict(zip(("base", "requirement_1", "log spread_1"), theta, strict=True))
    given |= {"logit stray": math.log(STRAY / (1 - STRAY)), "log concentration": math.log(concentration)}
    likelihood = engine(counts)
    return likelihood(np.array([given.get(n, 0.0) for n in likelihood.layout.names]), False)[0]


PLACES = [np.array(p) for p in ((10, 500, 4.1), (9, 560, 4.25), (11, 450, 4.0), (10, 470, 4.4))]


def test_differences_between_parameters_are_those_of_the_poisson_model() -> None:
    theirs = np.array([poisson(p) for p in PLACES])
    limit = np.array([endless_concentration(p) for p in PLACES])
    assert limit[1:] - limit[0] == pytest.approx(theirs[1:] - theirs[0], rel=1e-8)
    assert limit + factor() == pytest.approx(theirs, rel=1e-8)
    # As a fit takes it, a very large concentration stands for the multinomial.
    ours = np.array([multinomial(p) for p in PLACES])
    assert ours[1:] - ours[0] == pytest.approx(theirs[1:] - theirs[0], rel=1e-8)


def test_the_maximum_is_that_of_the_poisson_model() -> None:
    net = records()
    fit = fit_flights(
        net.trap_years,
        net.weather,
        net.links,
        season=SEASON,
        shifts=(),
        counts="multinomial",
        stray=STRAY,
        profiles=False,
    )
    unit = np.sqrt(np.diag(fit.covariance.loc[["base", "requirement_1", "log spread_1"]]))
    start = np.array([10.0, 500.0, 4.1])

    def minus(y: Floats) -> tuple[float, Floats]:
        h = 1e-4 * np.eye(3)
        slope = [(poisson(start + unit * (y + e)) - poisson(start + unit * (y - e))) / 2e-4 for e in h]
        return -poisson(start + unit * y), -np.array(slope)

    best = minimize(minus, np.zeros(3), jac=True, method="BFGS", options={"gtol": 1e-5})
    theirs = start + unit * best.x
    ours = np.array([fit.base, fit.requirement(), math.log(fit.spread())])
    assert fit.log_likelihood + factor() == pytest.approx(-best.fun, rel=1e-6)
    assert np.abs((ours - theirs) / unit).max() < 1e-3
