"""The heat of a share of a flight: never below zero, in order, and the profile interval at half of the flight."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from phenofit.analysis.thresholds_table import thresholds_table
from phenofit.errors import ModelError
from phenofit.flight import FlightFit
from phenofit.flight.intervals.profile import Profile
from phenofit.flight.kernels.curves import heat_at_share
from phenofit.flight.share_heat import share_intervals
from tests.calls import fit_flights
from tests.validate.networks import HEAT, SEASON, network

SHARES = (0.05, 0.25, 0.5, 0.75, 0.95)


@cache
def fitted(curve: str = "normal") -> FlightFit:
    n = network(sites=6, years=5)
    return fit_flights(
        n.trap_years(), n.weather, n.links, season=SEASON, heat=HEAT, curve=curve,
        profiles=("requirement_1", "spread_1"),
    )  # fmt: skip


def known(low: float | None, high: float | None, estimate: float, name: str) -> Profile:
    """Return a profile whose interval has these ends at every level up to the one followed."""
    values = [estimate if low is None else low, estimate, estimate if high is None else high]
    values = [values[0] - (low is None) * 1e-9, values[1], values[2] + (high is None) * 1e-9]
    passed = norm.ppf(0.975) ** 2 + 1e-9
    deviance = [0.0 if low is None else passed, 0.0, 0.0 if high is None else passed]
    return Profile(
        name, estimate, np.array(values), np.array(deviance), False, values[0], values[2], math.inf,
        np.zeros((3, 1)), 10.0,
    )  # fmt: skip


def made(requirement: tuple[float | None, float, float | None], spread: tuple[float | None, float, float | None],
         correlation: float = 0.0) -> FlightFit:  # fmt: skip
    fit = fitted()
    names = ["requirement_1", "log spread_1"]
    covariance = fit.covariance.copy()
    covariance.loc[names, names] = [[1.0, correlation], [correlation, 1.0]]
    profiles = {
        "requirement_1": known(requirement[0], requirement[2], requirement[1], "requirement_1"),
        "spread_1": known(spread[0], spread[2], spread[1], "spread_1"),
    }
    parameters = {**fit.parameters, "requirement_1": requirement[1], "spread_1": spread[1]}
    return replace(fit, parameters=parameters, profiles=profiles, covariance=covariance)


def test_half_of_the_flight_has_the_profile_interval() -> None:
    for curve in ("normal", "Weibull"):
        fit = fitted(curve)
        amount, low, high = share_intervals(fit, (0.5,))[0]
        assert amount == pytest.approx(fit.requirement())
        assert (low, high) == pytest.approx(fit.interval("requirement_1"))


def test_squares_are_added_by_hand() -> None:
    # Requirement 400 (370 to 440), spread 50 (40 to 62), no correlation; z = 1.6449 at 95 %.
    fit = made((370.0, 400.0, 440.0), (40.0, 50.0, 62.0))
    z = 1.6448536269514722
    five, _, _, _, most = share_intervals(fit, SHARES)
    assert most == pytest.approx(
        (400 + 50 * z, 400 + 50 * z - math.hypot(30, 10 * z), 400 + 50 * z + math.hypot(40, 12 * z)), rel=1e-6
    )
    # A small share is late where the flight is narrow, and early where it is wide.
    assert five == pytest.approx(
        (400 - 50 * z, 400 - 50 * z - math.hypot(30, 12 * z), 400 - 50 * z + math.hypot(40, 10 * z)), rel=1e-6
    )


def test_the_correlation_enters_with_the_sign_of_the_share() -> None:
    together = made((370.0, 400.0, 430.0), (40.0, 50.0, 60.0), 1.0)
    z = 1.6448536269514722
    five, _, _, _, most = share_intervals(together, SHARES)
    # Wholly correlated: the ends add up late in the flight, and cancel in part early in it.
    assert most[2] == pytest.approx(400 + 50 * z + 30 + 10 * z, rel=1e-6)
    assert five[2] == pytest.approx(400 - 50 * z + abs(30 - 10 * z), rel=1e-6)


def test_no_number_of_degree_days_is_negative() -> None:
    low = share_intervals(made((5.0, 60.0, 130.0), (30.0, 60.0, 90.0)), SHARES)
    assert low[0][:2] == (0.0, 0.0)
    assert all(value is None or value >= 0.0 for row in low for value in row)


def test_open_ends_stay_open() -> None:
    rows = share_intervals(made((None, 400.0, 440.0), (40.0, 50.0, 62.0)), SHARES)
    assert all(low is None and high is not None for _, low, high in rows)
    # With the end of the spread open, half of the flight keeps both ends.
    rows = share_intervals(made((370.0, 400.0, 440.0), (40.0, 50.0, None)), SHARES)
    assert rows[2] == pytest.approx((400.0, 370.0, 440.0), rel=1e-6)


@settings(max_examples=150, deadline=None)
@given(
    st.floats(20, 900), st.floats(5, 200), st.floats(0.01, 3), st.floats(0.01, 3), st.floats(0.01, 0.9),
    st.floats(0.01, 3), st.floats(-1, 1),
)  # fmt: skip
def test_ends_rise_with_the_share_and_hold_the_estimate(
    m: float, s: float, below: float, above: float, narrower: float, wider: float, correlation: float
) -> None:
    fit = made((m - below * s, m, m + above * s), (s * (1 - narrower), s, s * (1 + wider)), correlation)
    rows = share_intervals(fit, SHARES)
    known = np.array(rows, dtype=float)  # an open end would be NaN
    assert (np.diff(known, axis=0) >= 0.0).all()
    assert (known >= 0.0).all()
    assert (known[:, 1] <= known[:, 0]).all()
    assert (known[:, 0] <= known[:, 2]).all()


def test_a_held_spread_adds_nothing() -> None:
    fit = made((370.0, 400.0, 440.0), (40.0, 50.0, 62.0))
    held = replace(
        fit,
        settings=replace(fit.settings, hold={"spread_1": 50.0}),
        profiles={"requirement_1": fit.profiles["requirement_1"]},
    )
    amount, low, high = share_intervals(held, (0.95,))[0]
    assert (low, high) == pytest.approx((amount - 30.0, amount + 40.0), rel=1e-6)
    # Without profiles there is no interval.
    assert share_intervals(replace(fit, profiles={}), (0.5,))[0][1:] == (None, None)


def test_shares_in_another_order_are_refused() -> None:
    with pytest.raises(ModelError, match="rising"):
        share_intervals(fitted(), (0.5, 0.05))


def test_the_thresholds_table_is_in_order_and_agrees_with_the_fit() -> None:
    fit = fitted("log-normal")
    table = thresholds_table("moth", fit).set_index("event")
    assert table["amount_low"].is_monotonic_increasing
    assert table["amount_high"].is_monotonic_increasing
    assert tuple(table.loc["flight_50", ["amount_low", "amount_high"]]) == pytest.approx(
        fit.interval("requirement_1")
    )
    for event, share in zip(table.index, SHARES, strict=True):
        expected = heat_at_share("log-normal", share, fit.requirement(), fit.spread())
        assert table.loc[event, "amount"] == pytest.approx(expected)
