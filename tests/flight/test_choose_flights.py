"""The number of flights chosen on data whose number is known, and the rules of the choice."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from phenofit.errors import ModelError
from phenofit.flight import FlightFit, FlightModel, fit_flights
from phenofit.flight.estimate.collapse import collapsed_flights
from phenofit.flight.fitting import fit_data
from phenofit.flight.model import flight_candidates
from phenofit.flight.selection import number_of_flights
from phenofit.flight.selection.number_of_flights import compare_numbers
from phenofit.flight.selection.starts import vector_of_fit
from tests.calls import choose_flights
from tests.flight.networks import SEASON, Network, fit_network, network
from tests.recovery.other_truths import Truth, draw_network, skewed


def choose(n: Network, **options: object) -> FlightFit:
    return choose_flights(
        n.trap_years, n.weather, n.links, season=SEASON, base=10.0, profiles=False,
        **{"curve": "normal", **options},
    )  # fmt: skip


def test_two_flights_far_apart_are_found_and_said() -> None:
    n = network(sites=3, years=2, requirements=(300.0, 800.0), spreads=(50.0, 60.0), seed=5)
    fit = choose(n, flights=(1, 2))
    assert fit.settings.flights == 2
    said = str(fit.provenance["flights choice"])
    assert said.startswith("Two flights against one flight: AIC -")
    # Values known to some tenths are given without decimals.
    assert re.search(r"AIC -\d+, likelihood ratio \d+, p below 0.001", said)
    alone = fit_network(n, base=10.0, flights=2, profiles=False)
    assert fit.requirement(2) == pytest.approx(alone.requirement(2), rel=1e-3)
    assert fit.log_likelihood == pytest.approx(alone.log_likelihood, abs=0.01)


def test_one_flight_stays_one_and_a_given_number_is_not_compared() -> None:
    n = network(sites=3, years=3)
    fit = choose(n, flights="compare")
    assert fit.settings.flights == 1
    said = str(fit.provenance["flights choice"])
    assert "one flight taken:" in said
    assert said.endswith("More than 2 were not tried.")
    single = choose(n, flights=1)
    assert single.parameters == fit.parameters
    assert "flights choice" not in single.provenance


def test_a_flight_helps_where_neither_aic_nor_chance_speak_against_it() -> None:
    n = network(sites=3, years=2, requirements=(300.0, 800.0), spreads=(50.0, 60.0), seed=5)
    one, two = (fit_network(n, base=10.0, flights=k, profiles=False) for k in (1, 2))
    # Four parameters more: location, spread, mean and SD of the log size. The reference has twice three degrees.
    for statistic, better in ((7.9, False), (8.1, False), (12.5, False), (12.7, True)):
        step = compare_numbers(one, replace(two, log_likelihood=one.log_likelihood + 0.5 * statistic))
        assert step.better is better
        assert step.p_value == pytest.approx(chi2.sf(statistic, 6))
        assert step.aic_difference == pytest.approx(8.0 - statistic)
    assert (
        compare_numbers(one, replace(two, log_likelihood=one.log_likelihood)).reason == "the AIC is not lower"
    )
    # Fits known to some tenths leave the decision open near its limit, chi-squared 12.59 with six degrees.
    for statistic, close in ((9.5, False), (9.7, True), (15.5, True), (15.7, False)):
        more = replace(two, log_likelihood=one.log_likelihood + 0.5 * statistic)
        assert compare_numbers(one, more, exact=False).close is close
        assert not compare_numbers(one, more).close
    lost = compare_numbers(one, replace(two, converged=False))
    assert lost.reason == "the search for more did not converge"
    with pytest.raises(ModelError, match="more flights than the first"):
        compare_numbers(two, one)


def test_a_flight_without_moths_or_within_another_has_collapsed() -> None:
    middle, spread, sds = (
        np.array([300.0, 600.0, 900.0]),
        np.array([50.0, 60.0, 70.0]),
        np.array([0.0, 0.3, 0.3]),
    )
    assert collapsed_flights(middle, spread, np.zeros(3), sds) == ()
    gone = collapsed_flights(middle, spread, np.array([0.0, -6.0, 0.0]), sds)
    assert [(c.flight, c.into) for c in gone] == [(2, None)]
    assert "Flight 2 has collapsed: its share of the moths is 0.1 %." in gone[0].words()
    # Half a spread of the wider of the two is the limit; the smaller flight is the one that is named.
    for gap, found in ((34.9, [(2, 3)]), (35.1, [])):
        near = collapsed_flights(
            np.array([300.0, 900.0 - gap, 900.0]), spread, np.array([0.0, -1.0, 0.0]), sds
        )
        assert [(c.flight, c.into) for c in near] == found


def test_a_flight_too_many_collapses_is_named_and_gets_no_interval() -> None:
    n = network(sites=5, years=4, requirements=(350.0, 900.0), spreads=(60.0, 60.0))
    fit = fit_network(n, flights=3, profiles=("requirement_1",))
    chosen = choose(n, flights="compare")
    assert chosen.settings.flights == 2
    if not fit.collapsed:
        pytest.skip("three flights were told apart here")
    flight = fit.collapsed[0].flight
    assert any(f"Flight {flight} has collapsed" in text for text in fit.problems)
    row = fit.estimates.query(f"parameter == 'requirement' and flight == {flight}").iloc[0]
    assert row["note"] == "no interval: the flight has collapsed"


def test_a_close_decision_is_made_with_exact_fits(monkeypatch: pytest.MonkeyPatch) -> None:
    n = network(sites=3, years=2, requirements=(300.0, 800.0), spreads=(50.0, 60.0), seed=5)
    monkeypatch.setattr(number_of_flights, "_ROUGH", 1e6)
    said = str(choose(n, flights=(1, 2)).provenance["flights choice"])
    one, two = (fit_network(n, base=10.0, flights=k, profiles=False) for k in (1, 2))
    assert f"AIC {two.aic - one.aic:+.1f}" in said


@pytest.mark.slow
def test_a_search_that_begins_near_the_maximum_ends_at_it() -> None:
    """Few nodes for flight sizes: the value of the likelihood and its slope do not agree there."""
    n = network(sites=30, years=5, requirements=(200.0, 500.0, 800.0, 1150.0), spreads=(45.0,) * 4)
    data, settings = n.data(), FlightModel(flights=4, curve="normal").fit_settings(SEASON)
    far = fit_data(data, settings, profiles=False)
    near = fit_data(data, settings, profiles=False, near=(vector_of_fit(far),))
    assert far.converged
    assert near.converged
    assert near.log_likelihood == pytest.approx(far.log_likelihood, abs=0.01)


@pytest.mark.slow
def test_four_flights_are_found_in_cut_seasons() -> None:
    n = network(
        sites=8, years=4, requirements=(200.0, 500.0, 800.0, 1150.0), spreads=(45.0,) * 4, moths=120.0
    )
    fit = choose(n, flights="compare")
    assert fit.settings.flights == 4
    assert [fit.requirement(g) for g in range(1, 5)] == pytest.approx([200.0, 500.0, 800.0, 1150.0], rel=0.08)
    assert "Five flights against four flights" in str(fit.provenance["flights choice"])


@pytest.mark.parametrize("wrong", [0, 6, True, (), (1, 7), "many", "1"])
def test_numbers_that_no_fit_takes_are_refused(wrong: object) -> None:
    with pytest.raises(ModelError, match="1 to 5 flights a season"):
        flight_candidates(wrong)  # type: ignore[arg-type]


def test_a_shoulder_of_a_flight_is_no_further_flight() -> None:
    """Two normal flights of one size and spread have two peaks from two spreads apart on (Schilling et al. 2002, from memory)."""
    n = network(sites=3, years=2, requirements=(300.0, 800.0), spreads=(50.0, 60.0), seed=5)
    one, two = (fit_network(n, base=10.0, flights=k, profiles=False) for k in (1, 2))
    for apart, better in ((1.9, False), (2.1, False), (2.6, True)):
        values = {"requirement_1": 400.0, "requirement_2": 400.0 + 50.0 * apart, "size_2": 0.0}
        values |= {"spread_1": 50.0, "spread_2": 50.0}
        step = compare_numbers(one, replace(two, parameters={**two.parameters, **values}))
        assert step.better is better, apart
        assert ("flights 1 and 2 have one peak together" in step.reason) is not better
    # A small flight far in the tail of a large one needs a dip too, and has one.
    far = {**two.parameters, **values, "requirement_2": 650.0, "size_2": -3.0}
    assert compare_numbers(one, replace(two, parameters=far)).better


@pytest.mark.slow
@pytest.mark.parametrize("curve", ["gamma", "Weibull"])
def test_a_flight_with_a_long_tail_is_one_flight(curve: str) -> None:
    drawn = draw_network(Truth((skewed(curve),)), "champion", seed=(57, 0))
    fit = fit_flights(drawn.records(), FlightModel(flights="compare"), profiles=False)
    assert fit.settings.flights == 1
