"""Pairs that catches cannot tell apart, and errors that they would have shown."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from phenofit import FlightModel, PublishedThreshold, Records
from phenofit.flight.intervals.reference_distribution import cut_of_ratio, degrees_of_error
from phenofit.validate.comparison.distinguishable import Distinguishable, distinguishable, noncentrality
from phenofit.validate.comparison.published_check import compare_published
from phenofit.validate.comparison.published_comparison import PublishedComparison
from phenofit.validate.comparison.refit_on_terms import PublishedTerms
from phenofit.validate.comparison.verdict import verdict_and_sentence
from tests.validate.networks import SEASON, network

MODEL = FlightModel(curve="normal", shifts=("year", "trap-year"))
TRUE = PublishedThreshold(
    id="true", species="", event="flight_50", flight=1, amount=450.0, unit="degC d", base=10.0, upper=None,
    cutoff=None, method="single sine", start="01-01",
)  # fmt: skip


def _records(sites: int = 6, years: int = 5, **truth: object) -> Records:
    n = network(sites=sites, years=years, **truth)
    return Records(n.trap_years(), n.weather, n.links, SEASON)


@pytest.fixture(scope="module")
def terms() -> PublishedTerms:
    return PublishedTerms(_records(), TRUE, MODEL)


@pytest.mark.parametrize("degrees", [4.0, 20.0, math.inf])
def test_the_noncentrality_gives_the_power_it_says(degrees: float) -> None:
    """By drawing normal pairs with a fitted variance; 40,000 draws know the power to 0.002."""
    rng = np.random.default_rng(5)
    draws = 40_000
    far = rng.standard_normal((draws, 2))
    far[:, 0] += math.sqrt(noncentrality(0.95, degrees))
    square = (far**2).sum(axis=1)
    if math.isinf(degrees):
        rejected = square > stats.chi2.ppf(0.95, 2)
    else:
        rejected = square / 2.0 / (rng.chisquare(degrees, draws) / degrees) > stats.f.ppf(0.95, 2, degrees)
    assert rejected.mean() == pytest.approx(0.8, abs=0.008)


def test_the_ends_lie_at_the_cut_of_the_joint_test(terms: PublishedTerms) -> None:
    free = terms.free
    degrees = degrees_of_error("base", free.settings, free.data, free.parameters)
    found = distinguishable(terms, 0.95, degrees)
    cut = cut_of_ratio(0.95, 2, degrees)
    for end in (found.low, found.high):
        assert end is not None
        held = PublishedTerms(_records(), replace(TRUE, base=end[0]), MODEL)
        assert 2.0 * (free.log_likelihood - held.log_likelihood_at(end[1])) == pytest.approx(cut, rel=0.05)
    assert found.low[0] < 10.0 < found.high[0]  # type: ignore[index]
    # Along the ridge a colder base goes with a larger amount.
    assert found.low[1] > 450.0 > found.high[1]  # type: ignore[index]


@pytest.mark.slow
def test_an_error_of_the_amount_is_noticed_as_often_as_said() -> None:
    """24 networks and the amount as far off as is said to be noticed in 8 of 10: at least half and not all the less."""
    noticed, true_rejected, said = [], [], []
    for seed in range(24):
        records = _records(seed=seed)
        found = compare_published(records, MODEL, TRUE)
        assert found.told_apart is not None
        said.append(found.told_apart.amount)
        true_rejected.append(found.verdict == "not consistent")
        off = replace(TRUE, amount=450.0 * (1.0 + found.told_apart.amount))
        noticed.append(compare_published(records, MODEL, off).verdict == "not consistent")
    assert sum(true_rejected) <= 4  # 24 at 5 %: five or more in 1 % of such sets
    assert sum(noticed) >= 14  # of 24 at 80 %: fewer in 1 %
    assert max(said) < 0.25


def _verdict(**values: object) -> tuple[str, str]:
    terms = PublishedTerms(_records(3, 2), TRUE, MODEL)
    apart = Distinguishable((8.0, 560.0), (12.0, 340.0), 2.6, 0.08)
    given = {
        "p_value": 0.5,
        "refit_amount": 455.0,
        "refit_low": 430.0,
        "refit_high": 480.0,
        "told_apart": apart,
    }
    return verdict_and_sentence(PublishedComparison(TRUE, True, **{**given, **values}), terms)  # type: ignore[arg-type]


def test_each_verdict_has_its_rule_and_its_words() -> None:
    verdict, words = _verdict()
    assert verdict == "consistent"
    assert "is consistent with these catches" in words
    assert "run from 560 °C-days above 8.0 °C to 340 °C-days above 12.0 °C." in words
    assert "An amount more than 8 % off at this base, or a base more than 2.6 °C off" in words
    assert _verdict(p_value=0.049)[0] == "not consistent"
    assert _verdict(p_value=0.051)[0] == "consistent"
    blind = Distinguishable(None, (12.0, 340.0), 9.0, 0.26)
    verdict, words = _verdict(told_apart=blind)
    assert verdict == "cannot tell"
    assert "cannot be judged: these catches cannot tell" in words
    assert "to colder bases; that end is open" in words
    assert _verdict(told_apart=replace(blind, amount=0.24))[0] == "consistent"
    assert _verdict(told_apart=Distinguishable(None, None))[0] == "cannot tell"


def test_days_that_seem_to_contradict_the_verdict_are_explained() -> None:
    days = {"held_out_difference_days": -0.4, "difference_low": -1.0, "difference_high": 0.2}
    _, words = _verdict(p_value=0.01, **days)
    assert "The two do not contradict each other: the pair is rejected as a pair" in words
    assert "contradict" not in _verdict(**days)[1]
    worse = {"held_out_difference_days": 1.4, "difference_low": 0.3, "difference_high": 2.5}
    assert "an error too small to be noticed by the test can cost days" in _verdict(**worse)[1]
    assert "contradict" not in _verdict(p_value=0.01, **worse)[1]
