"""How fast a flight fit is, against the same likelihood in plain NumPy maximised by general methods.

The peers: a search without derivatives, and a model class for any likelihood, with numerical derivatives.
"""

from __future__ import annotations

import time

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from scipy.optimize import minimize
from scipy.special import gammaln
from scipy.stats import norm
from statsmodels.base.model import GenericLikelihoodModel  # type: ignore[import-untyped]

from phenofit.flight import FlightFit
from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.flight.likelihood.log_likelihood import Likelihood
from tests.benchmarks.measured import Row, against, best
from tests.calls import fit_flights
from tests.flight.networks import HEAT, SEASON, network


class NumpyLikelihood:
    """One flight, normal curve, year and trap-year shift, written with arrays; no derivatives, fixed quadrature."""

    def __init__(self, data: FlightData, nodes: int = 15) -> None:
        self.data = data
        self.t, w = hermegauss(nodes)
        self.log_w = np.log(w / w.sum())
        self.owner = np.repeat(np.arange(data.trap_years), np.diff(data.catch_of))
        self.edge_owner = np.repeat(np.arange(data.trap_years), np.diff(data.edge_of))
        _, self.group = np.unique(data.table["year"].to_numpy(), return_inverse=True)
        self.total = data.totals

    def heat(self, base: float) -> np.ndarray:
        """Heat at the edges by the single sine in plain NumPy."""
        d = self.data
        mean, half = 0.5 * (d.tmin + d.tmax), 0.5 * (d.tmax - d.tmin)
        z = np.clip((base - mean) / np.maximum(half, 1e-9), -1.0, 1.0)
        daily = (half * np.sqrt(1.0 - z * z) + (mean - base) * np.arccos(z)) / np.pi
        total = np.concatenate([np.zeros((len(daily), 1)), np.cumsum(daily, axis=1)], axis=1)
        before = total[d.edge_series, d.edge_day]
        return np.asarray(before + d.edge_part * (total[d.edge_series, d.edge_day + 1] - before))

    def __call__(self, theta: np.ndarray, stray: float = 0.001) -> float:
        """Return minus the log-likelihood at (base, requirement, log spread, log phi, log SDs)."""
        d = self.data
        base, m = theta[0], theta[1]
        s, phi, sd_year, sd = np.exp(theta[2:])
        heat = self.heat(base)
        shift = sd_year * self.t[:, None] + sd * self.t[None, :]
        flown = norm.cdf((heat[:, None, None] - m - shift) / s)
        every = np.zeros((d.trap_years, *shift.shape))
        np.add.at(every, self.edge_owner, d.edge_weight[:, None, None] * flown)
        part = flown[d.catch_right] - flown[d.catch_left]
        p = (1 - stray) * part / np.maximum(every[self.owner], 1e-12) + stray * d.catch_share[:, None, None]
        a = phi * np.maximum(p, 1e-12)
        n = d.catch_count[:, None, None]
        value = np.zeros((d.trap_years, *shift.shape))
        np.add.at(value, self.owner, gammaln(n + a) - gammaln(a))
        value += (gammaln(phi) - gammaln(phi + self.total))[:, None, None]
        own = np.logaddexp.reduce(value + self.log_w, axis=2)
        years = np.zeros((self.group.max() + 1, len(self.t)))
        np.add.at(years, self.group, own)
        return -float(np.logaddexp.reduce(years + self.log_w, axis=1).sum())


# About one standard error of (base, requirement, log spread, log phi, log SDs): the scale that a general search is given.
UNIT = np.array([1.0, 40.0, 0.1, 0.25, 0.5, 0.2])


class GenericFlight(GenericLikelihoodModel):  # type: ignore[misc]
    """The plain likelihood as a general model, parameters in standard errors; all derivatives are numerical."""

    def __init__(self, likelihood: NumpyLikelihood, base: float | None = None) -> None:
        super().__init__(np.ones(likelihood.data.trap_years), plain=likelihood, held=base, calls=[0])

    def loglike(self, params: np.ndarray) -> float:
        """Return the log-likelihood, the base held or not."""
        self.calls[0] += 1
        if self.held is None:
            return -float(self.plain(params * UNIT))
        return -float(self.plain(np.concatenate([[self.held], params * UNIT[1:]])))


def generic_peer(fit: FlightFit, data: FlightData, start: np.ndarray, bases: np.ndarray) -> tuple[float, int]:
    """Return seconds and evaluations of a fit with standard errors and a nine-point base profile by refits.

    Raises
    ------
    SystemExit
        If the peer's maximum is not that of `fit`, or its profile not that of ours: times of different answers are
        no comparison.
    """
    likelihood = NumpyLikelihood(data)
    # The class divides by the number of observations; the slope in a standard error is then to fall below 0.002.
    options = {"method": "bfgs", "disp": 0, "gtol": 2e-3 / data.trap_years, "maxiter": 200}
    begun = time.perf_counter()
    model = GenericFlight(likelihood)
    best = model.fit(start / UNIT, **options)
    calls = model.calls[0]
    deviance = []
    rest = best.params[1:]
    for base in bases:
        held = GenericFlight(likelihood, float(base))
        # A year's SD that has come to zero has no slope left to leave it again.
        rest = np.concatenate([rest[:3], np.maximum(rest[3:], np.log(4.0) / UNIT[4:])])
        found = held.fit(rest, skip_hessian=True, **options)
        rest = found.params
        deviance.append(2.0 * (best.llf - found.llf))
        calls += held.calls[0]
    seconds = time.perf_counter() - begun
    apart = abs(best.llf + data.constant - fit.log_likelihood)
    profile = fit.profile("base")
    ours = np.interp(bases, profile.values, np.sign(profile.values - fit.base) * np.sqrt(profile.deviance))
    theirs = np.sign(bases - fit.base) * np.sqrt(np.maximum(deviance, 0.0))
    # The root of the deviance is near to straight between the points of a profile, not quite.
    bent = float(np.abs(ours - theirs).max())
    if apart > 1e-2 or bent > 0.1:
        raise SystemExit(
            f"the peer does not give the same answer: log-likelihoods {apart:.1e}, roots of the deviance {bent:.1e} apart"
        )
    return seconds, calls


def peer(data: FlightData, start: np.ndarray, bases: np.ndarray) -> tuple[float, float, int]:
    """Return seconds of a nine-point base profile by Nelder-Mead, of one evaluation, and the evaluations."""
    likelihood = NumpyLikelihood(data)
    begun = time.perf_counter()
    for _ in range(5):
        likelihood(start)
    single = (time.perf_counter() - begun) / 5
    count = 0

    def held(rest: np.ndarray, base: float) -> float:
        nonlocal count
        count += 1
        return likelihood(np.concatenate([[base], rest]))

    begun = time.perf_counter()
    rest = start[1:]
    for base in bases:
        found = minimize(
            held, rest, args=(base,), method="Nelder-Mead", options={"xatol": 1e-2, "fatol": 1e-3}
        )
        rest = found.x
    return time.perf_counter() - begun, single, count


def rows(*, small: bool) -> list[Row]:
    """Time a fit beside both peers, one evaluation, and how the cost grows."""
    asked = ("base", "requirement_1")
    net = network(sites=14, years=5)
    fit_flights(net.trap_years, net.weather, net.links, season=SEASON)  # compile
    begun = time.perf_counter()
    fit = fit_flights(net.trap_years, net.weather, net.links, season=SEASON, profiles=asked)
    ours = time.perf_counter() - begun
    data = net.data()
    p = fit.parameters
    logs = np.log([p["spread_1"], p["concentration"], p["shift_sd_year"], p["shift_sd"]])
    low, high = fit.interval("base")
    ends = (fit.base - 2 if low is None else low, fit.base + 2 if high is None else high)
    start = np.concatenate([[fit.base, p["requirement_1"]], logs])
    bases = np.linspace(*ends, 9)
    theirs, single, count = peer(data, start, bases)
    # The general model begins where the records were simulated from; the search without derivatives at our answer.
    truth = np.array([10.0, 500.0, *np.log([60.0, 10.0, 20.0, 20.0])])
    generic, calls = generic_peer(fit, data, truth, bases)
    likelihood = Likelihood(data, HEAT, "normal", 1, data.table["year"].to_numpy(), nodes=(7, 5, 5))
    theta = np.zeros(likelihood.layout.size)
    theta[:7] = [*start, np.log(0.001 / 0.999)]
    likelihood(theta)
    evaluation = best(lambda: [likelihood(theta + 1e-9 * k) for k in range(20)], 2) / 20
    name = f"fit and intervals of base and requirement, {data.trap_years} trap-years"
    found = [
        against(name, ours, f"base profile, NumPy and scipy's Nelder-Mead, {count} evaluations", theirs),
        against(
            f"{name}, as a general model", ours, f"statsmodels, fit and profile, {calls} evaluations", generic
        ),
        against("one evaluation with all slopes", evaluation, "NumPy, without slopes", single),
    ]
    for size in (70, 300) if small else (70, 1_000, 10_000):
        grown = network(sites=max(1, size // 10), years=10)
        begun = time.perf_counter()
        fit_flights(grown.trap_years, grown.weather, grown.links, season=SEASON, profiles=asked)
        found.append(Row(f"fit and intervals, {size:,} trap-years", time.perf_counter() - begun))
    return found
