"""The sentence on held-out days: near ties are said to be ties."""

from __future__ import annotations

from dataclasses import replace

import pytest

from phenofit.validate import PublishedComparison, PublishedThreshold
from phenofit.validate.comparison.verdict import _days_words
from tests.calls import compare_published
from tests.validate.networks import HEAT, SEASON, network


@pytest.fixture(scope="module")
def compared() -> PublishedComparison:
    n = network(sites=4, years=3)
    near = PublishedThreshold(
        id="near", species="s", event="flight_50", flight=1, amount=450.0, unit="degC d", base=10.0,
        method="single sine", start="01-01",
    )  # fmt: skip
    return compare_published(
        n.trap_years(), n.weather, n.links, near, season=SEASON, heat=HEAT, curve=("normal", "logistic")
    )


def words(compared: PublishedComparison, gap: float, low: float, high: float) -> str:
    return _days_words(
        replace(compared, held_out_difference_days=gap, difference_low=low, difference_high=high)
    )


def test_a_choice_of_curve_is_compared_on_one_curve(compared: PublishedComparison) -> None:
    assert compared.usable
    assert compared.amount_inside
    assert compared.lr_statistic >= 0


def test_a_near_tie_is_said_to_be_one(compared: PublishedComparison) -> None:
    tie = words(compared, -0.04, -0.04, 0.03)
    assert tie.endswith("the same to a tenth of a day.")
    wide = words(compared, 0.01, -0.04, 0.62)
    assert "the same to a tenth of a day (95 % interval 0.0 to +0.6)" in wide
    for sentence in (tie, wide):
        assert "-0.0" not in sentence
        assert "+0.0" not in sentence


def test_a_difference_keeps_its_sign(compared: PublishedComparison) -> None:
    assert "off by 0.3 days less than the refitted ones (95 % interval -0.6 to 0.0)" in words(
        compared, -0.3, -0.6, -0.01
    )
    assert "off by 1.2 days more" in words(compared, 1.2, 0.4, 2.0)
