"""The score test of night weather: against the likelihood ratio of a second fit, its rate, and what it says."""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy.stats import binom

from phenofit.errors import ModelError
from phenofit.flight import FlightFit, NightWeatherTest, night_weather_test
from phenofit.flight.diagnostics.night_score import NightScore
from phenofit.records import Records
from tests.calls import fit_flights
from tests.flight.networks import SEASON, Network, network
from tests.flight.nights import with_night_effect


def fit(net: Network, **options: object) -> FlightFit:
    given: dict[str, object] = {"profiles": False, "precise": False, **options}
    return fit_flights(net.trap_years, net.weather, net.links, season=SEASON, **given)


def records(net: Network) -> Records:
    return Records(net.trap_years, net.weather, net.links, SEASON)


@pytest.fixture(scope="module")
def warm_nights() -> Network:
    return with_night_effect(network(sites=8, years=5, seed=11), "tmin", 0.15, shift_sd_year=15.0, seed=11)


def test_it_agrees_with_a_second_fit(warm_nights: Network) -> None:
    without, having = fit(warm_nights), fit(warm_nights, night_weather="tmin")
    found = night_weather_test(without, records(warm_nights))
    score = found.scores[0]
    assert score.element == "tmin"
    # Outside answer: the likelihood ratio and the estimate of a fit with the effect; equal to first order.
    ratio = 2.0 * (having.log_likelihood - without.log_likelihood)
    assert score.statistic**2 == pytest.approx(ratio, rel=0.2)
    assert score.effect == pytest.approx(having.parameters["night_effect"], rel=0.2)
    assert found.p_value < 0.05


def test_a_fit_that_has_the_effect_is_not_tested(warm_nights: Network) -> None:
    with pytest.raises(ModelError, match="has the effect of night weather already"):
        night_weather_test(fit(warm_nights, night_weather="tmax"), records(warm_nights))
    with pytest.raises(ModelError, match="a first catch dates the flight itself"):
        night_weather_test(fit(warm_nights, records="first catch"), records(warm_nights))


def test_sentences_and_the_better_of_two() -> None:
    low = NightWeatherTest((NightScore("tmin", 1.5, 0.13, 0.02), NightScore("tmax", 2.6, 0.008, -0.1)))
    assert low.p_value == 0.016
    assert low.doubtful
    assert 'night_weather = "tmax"' in low.sentence()
    assert low.strongest.element == "tmax"
    # exp(-0.1) - 1 = -9.5 %
    assert "a day whose maximum is 1 °C above" in low.sentence()
    assert "about 10 % fewer catches" in low.sentence()
    none = NightWeatherTest((NightScore("tmin", 0.5, 0.6, 0.01), NightScore("tmax", 0.1, 0.9, 0.01)))
    assert none.p_value == 1.0
    assert none.sentence() == (
        "Catches follow the weather of nights no more than chance allows (score test, p = 1)."
    )


@pytest.mark.slow
def test_it_holds_its_rate_without_an_effect() -> None:
    tries, doubtful = 40, {"tmin": 0, "tmax": 0}
    for seed in range(100, 100 + tries):
        net = network(seed=seed, sites=4, years=5)
        for score in night_weather_test(fit(net), records(net)).scores:
            doubtful[score.element] += score.p_value < 0.05
    # Computed: of 100 such networks 4 by the minimum and 3 by the maximum. A rate of 5 % exceeds this once in 200.
    assert max(doubtful.values()) <= binom.ppf(0.995, tries, 0.05)


def test_where_the_slope_says_nothing_the_effect_is_fitted(warm_nights: Network) -> None:
    # A covariance that leaves the effect no information of its own stands for a fit far from the effect's best value.
    without = fit(warm_nights)
    loose = replace(without, covariance=without.covariance * 1e4)
    score, having = (
        night_weather_test(loose, records(warm_nights)).scores[0],
        fit(warm_nights, night_weather="tmin"),
    )
    assert score.effect == pytest.approx(having.parameters["night_effect"], rel=0.01)
    assert score.statistic**2 == pytest.approx(
        2.0 * (having.log_likelihood - without.log_likelihood), abs=0.05
    )
