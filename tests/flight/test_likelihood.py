"""The compiled likelihood against a brute-force one, against special cases and its own differences."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import gammaln, polygamma, psi

from phenofit.flight.kernels.gamma_ratios import log_rising
from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.flight.likelihood.log_likelihood import Likelihood
from tests.flight import reference
from tests.flight.networks import HEAT, SEASON, Network, network


@given(x=st.floats(1e-8, 1e7), n=st.integers(0, 3000))
def test_rising_factorial_against_scipy(x: float, n: int) -> None:
    value, first, second = log_rising(x, n)
    # scipy subtracts two large numbers; the tolerance is theirs.
    slack = 1e-13 * (abs(float(gammaln(x))) + abs(float(gammaln(x + n))) + 1.0)
    assert value == pytest.approx(float(gammaln(x + n) - gammaln(x)), rel=1e-12, abs=20 * slack)
    assert first == pytest.approx(float(psi(x + n) - psi(x)), rel=1e-9, abs=1e-12)
    assert second == pytest.approx(float(polygamma(1, x) - polygamma(1, x + n)), rel=1e-8, abs=1e-12)


def plain_records(net: Network, base: float) -> list[reference.Record]:
    """Cut the network into plain records, every interval in place, none telescoped."""
    data = net.data()
    weather = net.weather
    time = weather["time"].to_numpy().astype("datetime64[D]")
    station = dict(zip(net.links["trap"], net.links["station"], strict=True))
    out = []
    for row in data.table.to_dict("records"):
        year = int(row["year"])
        inside = (time >= SEASON.first_day(year)) & (time <= SEASON.last_day(year))
        at = weather.sel(station=station[row["trap"]])
        daily = reference.sine_heat(at["tmin"].to_numpy()[inside], at["tmax"].to_numpy()[inside], base)
        running = np.concatenate([[0.0], np.cumsum(daily)])
        frame = net.trap_years.intervals.query("trap_year == @row['trap_year']")
        first = SEASON.first_day(year).astype("datetime64[ns]")
        left = (frame["start"].to_numpy() - first) / np.timedelta64(1, "D")
        right = (frame["end"].to_numpy() - first) / np.timedelta64(1, "D")
        places = np.arange(len(running))
        out.append(
            reference.Record(
                np.interp(left, places, running),
                np.interp(right, places, running),
                frame["count"].to_numpy(dtype=float),
                frame["effort"].to_numpy(dtype=float),
                right - left,
                year,
            )
        )
    return out


# Upper threshold, second shared shift, abundance, night weather: not in these models.
_HELD = [0.0, 0.0, 0.0, 0.0, 0.0]


def _theta(k: int) -> np.ndarray:
    shared = [math.log(9.0), math.log(17.0), math.log(22.0)]
    if k == 1:
        return np.array([10.3, 508.0, math.log(63.0), *shared, -6.0, *_HELD])
    sizes = [0.2, math.log(0.5)]
    return np.array([10.3, 405.0, 985.0, math.log(63.0), math.log(80.0), *shared, *sizes, -6.0, *_HELD])


@pytest.mark.parametrize("curve", ["normal", "logistic", "log-normal"])
def test_one_flight_equals_brute_force(curve: str) -> None:
    net = network(sites=3, years=3)
    data = net.data()
    likelihood = Likelihood(data, HEAT, curve, 1, data.table["year"].to_numpy(), nodes=(31, 9, 21))
    theta = _theta(1)
    expected = reference.log_likelihood(
        plain_records(net, 10.3),
        shift_sd_group=17.0,
        shift_sd=22.0,
        curve=curve,
        requirement=[508.0],
        spread=[63.0],
        concentration=9.0,
        stray=1 / (1 + math.exp(6.0)),
    )
    assert likelihood(theta)[0] == pytest.approx(expected, rel=1e-6)


def test_two_flights_equal_brute_force() -> None:
    net = network(sites=2, years=2, requirements=(400.0, 1000.0), spreads=(60.0, 85.0))
    data = net.data()
    likelihood = Likelihood(data, HEAT, "normal", 2, data.table["year"].to_numpy(), nodes=(31, 15, 15))
    expected = reference.log_likelihood(
        plain_records(net, 10.3),
        shift_sd_group=17.0,
        shift_sd=22.0,
        size=0.2,
        size_sd=0.5,
        points=41,
        curve="normal",
        requirement=[405.0, 985.0],
        spread=[63.0, 80.0],
        concentration=9.0,
        stray=1 / (1 + math.exp(6.0)),
    )
    assert likelihood(_theta(2))[0] == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("flights", [1, 2])
def test_gradient_is_that_of_the_value(flights: int) -> None:
    net = network(requirements=(500.0,)) if flights == 1 else network(
        sites=4, years=2, requirements=(400.0, 1000.0), spreads=(60.0, 85.0)
    )  # fmt: skip
    data = net.data()
    place = (data.table["latitude"] - data.table["latitude"].mean()).to_numpy()[:, None] * 5
    likelihood = Likelihood(
        data,
        HEAT,
        "log-normal",
        flights,
        data.table["year"].to_numpy(),
        covariates=place,
        covariate_names=("latitude",),
        nodes=(21, 15, 11),
    )
    theta = np.append(_theta(flights), 0.03)
    _, slope = likelihood(theta)
    for k in range(len(theta)):
        step = 1e-4 * max(1.0, abs(theta[k]))
        up, down = theta.copy(), theta.copy()
        up[k] += step
        down[k] -= step
        likelihood.forget()
        numeric = (likelihood(up, False)[0] - likelihood(down, False)[0]) / (2 * step)
        assert slope[k] == pytest.approx(numeric, rel=2e-5, abs=2e-4), likelihood.layout.names[k]


def test_shift_sd_near_zero_is_the_model_without_shift() -> None:
    data = network().data()
    with_shift = Likelihood(data, HEAT, "normal", 1, data.table["year"].to_numpy())
    none = Likelihood(data, HEAT, "normal", 1, np.full(data.trap_years, -1), own_shift=False)
    theta = _theta(1)
    theta[4:6] = math.log(1e-3)
    assert with_shift(theta)[0] == pytest.approx(none(theta)[0], rel=1e-8)


def test_large_concentration_is_multinomial() -> None:
    data = network().data()
    groups = data.table["year"].to_numpy()
    swarm = Likelihood(data, HEAT, "normal", 1, groups)
    independent = Likelihood(data, HEAT, "normal", 1, groups, counts="multinomial")
    theta = _theta(1)
    theta[3] = math.log(1e7)
    assert swarm(theta)[0] == pytest.approx(independent(theta)[0], rel=1e-5)


def test_merging_two_checks_without_moths_changes_nothing() -> None:
    # Common practice, no source: how finely an empty stretch was checked says nothing about timing.
    net = network(sites=2, years=2)
    frame = net.trap_years.intervals
    merged = []
    for _, rows in frame.groupby("trap_year"):
        rows = rows.sort_values("start")
        kept = rows.iloc[2:].copy()
        assert rows["count"].iloc[:3].sum() == 0
        kept.loc[kept.index[0], "start"] = rows["start"].iloc[0]
        merged.append(kept)
    from dataclasses import replace

    other = Network(replace(net.trap_years, intervals=pd.concat(merged)), net.weather, net.links)
    one, two = net.data(), other.data()
    assert len(two.catch_count) == len(one.catch_count)
    theta = _theta(1)

    def value(d: FlightData) -> float:
        return Likelihood(d, HEAT, "normal", 1, d.table["year"].to_numpy())(theta)[0]

    assert value(two) == pytest.approx(value(one), rel=1e-9)


def test_threads_change_no_digit() -> None:
    data = network().data()
    likelihood = Likelihood(data, HEAT, "normal", 1, data.table["year"].to_numpy())
    first = likelihood(_theta(1))
    alone = Likelihood(data, HEAT, "normal", 1, data.table["year"].to_numpy())
    alone._parts = [(0, len(alone.group_labels))]
    second = alone(_theta(1))
    assert first[0] == second[0]
    np.testing.assert_array_equal(first[1], second[1])
