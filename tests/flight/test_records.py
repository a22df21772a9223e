"""Records that are not counts: "at least n", presence, and first catches; against sums written out in full."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from scipy.special import gammaln
from scipy.stats import norm

from phenofit.errors import ModelError
from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.flight.likelihood.log_likelihood import Likelihood
from phenofit.traps import TrapYears
from tests.calls import assemble, fit_flights
from tests.flight.networks import HEAT, SEASON, Network, network
from tests.flight.reference import Record, share
from tests.flight.test_likelihood import plain_records
from tests.flight.vectors import slopes_hold, vector

STRAY = 1 / (1 + math.exp(6.0))


def _likelihood(data: FlightData, counts: str = "dirichlet-multinomial") -> Likelihood:
    return Likelihood(
        data, HEAT, "normal", 1, data.table["year"].to_numpy(), counts=counts, nodes=(21, 15, 15)
    )


def _chances(record: Record, shift: np.ndarray) -> np.ndarray:
    step = share("normal", record.right, (508.0 + shift)[:, None], 508.0, 63.0) - share(
        "normal", record.left, (508.0 + shift)[:, None], 508.0, 63.0
    )
    p = step / np.maximum(step.sum(axis=1, keepdims=True), 1e-12)
    return np.asarray((1 - STRAY) * p + STRAY * record.length / record.length.sum())


def _over_shift(log_at: np.ndarray, x: np.ndarray) -> float:
    weight = norm.pdf(x) * (x[1] - x[0])
    top = log_at.max()
    return float(top + np.log((np.exp(log_at - top) * weight).sum()))


def _censored(net: Network, least: int) -> TrapYears:
    """The records with every count of `least` or more known only as that."""
    table = net.trap_years.intervals.copy()
    large = table["count"] >= least
    table.loc[large, "status"] = "at least"
    table.loc[large, "count"] = least
    return replace(net.trap_years, intervals=table)


def test_count_known_from_below_equals_the_sum_over_all_it_may_be() -> None:
    """One trap-year, no year shift: sum over the unknown count and integrate the shift, all by hand.

    With the sum of the others given, the unknown count has the chance that a record of N moths in all has, times
    1 / N: the total's logarithm is as likely anywhere.
    """
    net = network(sites=1, years=1)
    least = 6
    years = _censored(net, least)
    data = assemble(years, net.weather, net.links, season=SEASON)
    open_ones = int(data.catch_open.sum())
    assert open_ones >= 1
    # One unknown count only, so that the sum can be written out: the others stay as counted.
    table = years.intervals.copy()
    raw = net.trap_years.intervals
    marked = np.flatnonzero(table["status"] == "at least")
    for row in marked[1:]:
        table.loc[table.index[row], "status"] = "counted"
        table.loc[table.index[row], "count"] = raw["count"].iloc[row]
    data = assemble(replace(years, intervals=table), net.weather, net.links, season=SEASON)
    assert int(data.catch_open.sum()) == 1
    likelihood = Likelihood(data, HEAT, "normal", 1, np.full(1, -1), nodes=(31, 9, 9))
    (record,) = plain_records(net, 10.3)
    x = np.linspace(-8, 8, 201)
    p = _chances(record, 19.0 * x)
    n = table["count"].to_numpy(dtype=float)
    known = (table["status"] == "counted").to_numpy()
    total = n[known].sum()
    phi = 9.0
    fixed = (gammaln(n[known] + phi * p[:, known]) - gammaln(phi * p[:, known]) - gammaln(n[known] + 1)).sum(
        axis=1
    )
    r = phi * p[:, ~known]
    k = np.arange(least, 200_000)[None, :]
    tail = (
        gammaln(k + r)
        - gammaln(r)
        - gammaln(k + 1)
        + gammaln(total + k)
        - gammaln(total + k + phi)
        + gammaln(phi)
    )
    top = tail.max(axis=1, keepdims=True)
    logs = fixed + (top[:, 0] + np.log(np.exp(tail - top).sum(axis=1)))
    # The engine's constant: the coefficient of the counted, Gamma(total + 1), against 1 / N's Gamma(total).
    expected = _over_shift(logs, x) + math.log(total)
    assert likelihood(vector(likelihood))[0] == pytest.approx(expected, rel=1e-6)


def test_gradient_with_counts_known_from_below() -> None:
    net = network(sites=3, years=3)
    data = assemble(_censored(net, 7), net.weather, net.links, season=SEASON)
    assert data.any_open.max() >= 2
    likelihood = _likelihood(data)
    skip = ("upper", "log cross_sd", "log abundance", "log abundance_sd")
    slopes_hold(likelihood, vector(likelihood), skip)


def test_exact_counts_pass_unchanged_through_the_censored_form() -> None:
    """A count known to be at least zero says nothing: the record is that of the others alone."""
    net = network(sites=2, years=2)
    table = net.trap_years.intervals
    largest = table.groupby("trap_year")["count"].idxmax()
    some = table.copy()
    some.loc[largest, "status"] = "at least"
    some.loc[largest, "count"] = 1
    without = table.drop(index=list(largest))
    first = assemble(replace(net.trap_years, intervals=some), net.weather, net.links, season=SEASON)
    second = assemble(replace(net.trap_years, intervals=without), net.weather, net.links, season=SEASON)
    likelihood = _likelihood(first)
    theta = vector(likelihood)
    # "At least one" in the fullest interval is all but certain, so little is left of its information.
    assert likelihood(theta)[0] == pytest.approx(_likelihood(second)(theta)[0], abs=0.15 * len(largest))


def test_capped_counts_still_fix_the_timing() -> None:
    net = network(sites=6, years=5, seed=3)
    call = (net.weather, net.links)
    full = fit_flights(net.trap_years, *call, season=SEASON, base=10.0, profiles=("requirement_1",))
    capped = fit_flights(_censored(net, 15), *call, season=SEASON, base=10.0, profiles=("requirement_1",))
    dropped = net.trap_years.intervals.query("count < 15")
    partial = fit_flights(
        replace(net.trap_years, intervals=dropped),
        *call,
        season=SEASON,
        base=10.0,
        profiles=("requirement_1",),
    )

    def error(fit: object) -> float:
        low, high = fit.interval("requirement_1")  # type: ignore[attr-defined]
        return float(high - low)

    assert capped.requirement() == pytest.approx(full.requirement(), abs=0.5 * error(full))
    # What is known from below is worth something: never worse than leaving it out, near to the counts themselves.
    assert error(capped) < 1.02 * error(partial)
    assert not (capped.left_out["reason"].str.contains("not counted")).any()
    low, high = capped.interval("requirement_1")
    assert low is not None
    assert high is not None
    assert low < 500.0 < high


def test_presence_equals_brute_force() -> None:
    """One trap-year: shift and log abundance on a dense grid, Poisson moths at every check."""
    net = network(sites=1, years=1)
    data = assemble(net.trap_years, net.weather, net.links, season=SEASON, records="presence")
    likelihood = Likelihood(data, HEAT, "normal", 1, np.full(1, -1), counts="presence", nodes=(41, 41, 9))
    theta = vector(likelihood)
    (record,) = plain_records(net, 10.3)
    x = np.linspace(-7, 7, 141)
    p = _chances(record, 19.0 * x)
    mu = np.exp(3.0 + math.exp(-0.3) * x)
    caught = record.count > 0
    none = np.exp(-mu[None, :, None] * p[:, None, :])
    logs = np.where(caught, np.log1p(-none), np.log(np.maximum(none, 1e-300))).sum(axis=2)
    weight = norm.pdf(x) * (x[1] - x[0])
    expected = math.log((np.exp(logs) * weight[:, None] * weight[None, :]).sum())
    assert likelihood(theta)[0] == pytest.approx(expected, rel=1e-6)


def test_gradient_of_presence() -> None:
    net = network(sites=3, years=3)
    data = assemble(net.trap_years, net.weather, net.links, season=SEASON, records="presence")
    likelihood = _likelihood(data, "presence")
    slopes_hold(likelihood, vector(likelihood), ("upper", "log cross_sd", "log concentration"))


def test_presence_finds_the_flight() -> None:
    net = network(sites=10, years=6, seed=2, moths=15.0, concentration=1e4)
    call = (net.trap_years, net.weather, net.links)
    fit = fit_flights(
        *call, season=SEASON, base=10.0, records="presence", profiles=("requirement_1", "abundance")
    )
    assert fit.converged
    low, high = fit.interval("requirement_1")
    assert low is not None
    assert high is not None
    assert low < 500.0 < high
    few, many = fit.interval("abundance")
    assert few is not None
    assert many is not None
    assert few < 15.0 < many
    assert fit.spread() == pytest.approx(60.0, rel=0.35)
    counts = fit_flights(*call, season=SEASON, base=10.0, profiles=("requirement_1",))
    wide = counts.interval("requirement_1")
    assert wide[0] is not None
    assert wide[1] is not None
    # Presence holds less than the counts do, and says so.
    assert high - low > 0.95 * (wide[1] - wide[0])
    assert "concentration" not in fit.parameters


def test_first_catch_is_an_interval_censored_event() -> None:
    """A held base and no year shift: a normal law of the heat at the first catch, its likelihood written out."""
    net = network(sites=8, years=4)
    fit = fit_flights(
        net.trap_years,
        net.weather,
        net.links,
        season=SEASON,
        base=10.3,
        shifts=(),
        records="first catch",
        stray=0.0,
        profiles=("requirement_1",),
    )
    ends = []
    for record in plain_records(net, 10.3):
        first = int(np.flatnonzero(record.count > 0)[0])
        ends.append((record.right[first - 1] if first else 0.0, record.right[first]))
    left, right = np.array(ends).T

    def minus(q: np.ndarray) -> float:
        return -float(np.log(norm.cdf(right, q[0], np.exp(q[1])) - norm.cdf(left, q[0], np.exp(q[1]))).sum())

    best = minimize(minus, [420.0, 3.5], method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-10})
    assert fit.log_likelihood == pytest.approx(-best.fun, rel=1e-6)
    assert fit.requirement() == pytest.approx(best.x[0], abs=0.02)
    assert fit.spread() == pytest.approx(math.exp(best.x[1]), rel=1e-3)
    # The first catch comes before half of the flight.
    assert fit.requirement() < 480.0


def test_first_catch_of_two_flights_is_refused() -> None:
    net = network(sites=2, years=2)
    with pytest.raises(ModelError, match="one flight only"):
        fit_flights(net.trap_years, net.weather, net.links, season=SEASON, flights=2, records="first catch")


def test_moths_seen_but_never_counted_are_named() -> None:
    net = network(sites=3, years=2)
    table = net.trap_years.intervals.copy()
    one = table["trap_year"] == 0
    table.loc[one & (table["count"] > 0), "status"] = "present"
    years = replace(net.trap_years, intervals=table)
    data = assemble(years, net.weather, net.links, season=SEASON)
    assert data.trap_years == 5
    assert data.left_out["reason"].str.contains("never counted").sum() == 1
    with_them = assemble(years, net.weather, net.links, season=SEASON, records="presence")
    assert with_them.trap_years == 6


def test_moths_at_every_check_have_no_timing_as_presence() -> None:
    net = network(sites=2, years=1)
    table = net.trap_years.intervals.copy()
    table.loc[table["trap_year"] == 0, "count"] = 3
    years = replace(net.trap_years, intervals=table)
    data = assemble(years, net.weather, net.links, season=SEASON, records="presence")
    assert isinstance(data.left_out, pd.DataFrame)
    assert data.left_out["reason"].tolist() == ["moths at every check: no timing in their presence"]
