"""Fits side by side: AIC against its definition, the likelihood ratio against the profile, refusals in words."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from scipy.stats import chi2

from phenofit.errors import ModelError
from phenofit.flight import FlightFit
from phenofit.flight.selection.fit_comparison import (
    COMPARE_COLUMNS,
    compare,
    flights_evidence,
    likelihood_ratio,
)
from tests.calls import fit_flights
from tests.flight.networks import SEASON, network


@cache
def fitted(
    profiles: bool | tuple[str, ...] = False, seed: int = 1, year: float = 20.0, **options: Any
) -> FlightFit:
    net = network(seed=seed, sites=4, years=4, shift_sd_year=year)
    return fit_flights(net.trap_years, net.weather, net.links, season=SEASON, profiles=profiles, **options)


def test_a_held_value_is_rejected_where_the_interval_leaves_it_out() -> None:
    # The same likelihood by two ways: the end of the 95 % profile interval has p = 0.05.
    free = fitted(profiles=("requirement_1",))
    low, high = free.interval("requirement")
    assert low is not None
    assert high is not None
    for end in (low, high):
        test = likelihood_ratio(fitted(hold=_Held(requirement_1=end)), free)
        assert test.degrees == 1
        assert test.p_value == pytest.approx(0.05, abs=0.004)
        assert "F with 1 and 3" in test.reference


class _Held(dict[str, float]):
    """A mapping that can be a cache key."""

    def __hash__(self) -> int:  # type: ignore[override]  # a dict says that it has none
        return hash(tuple(sorted(self.items())))


def test_aic_and_weights_are_as_defined() -> None:
    fits = {
        "normal": fitted(),
        "logistic": fitted(curve="logistic"),
        "base 4": fitted(base=4.0),
        "multinomial": fitted(counts="multinomial"),
    }
    table = compare(fits).set_index("model")
    assert ["model", *table.columns] == list(COMPARE_COLUMNS)
    assert table["aic"].is_monotonic_increasing
    for name, fit in fits.items():
        assert table.loc[name, "aic"] == pytest.approx(2 * fit.fitted - 2 * fit.log_likelihood)
    raw = np.exp(-0.5 * (table["aic"] - table["aic"].min()))
    assert table["weight"].to_numpy() == pytest.approx((raw / raw.sum()).to_numpy())
    assert table["weight"].sum() == pytest.approx(1.0)
    best = table.index[0]
    assert best in ("normal", "logistic")
    assert np.isnan(table.loc[best, "p_value"])
    assert "the flight curves differ" in str(table.loc[("normal", "logistic")[best == "normal"], "note"])


def test_a_parameter_at_its_edge_takes_half_the_chance() -> None:
    test = likelihood_ratio(fitted(counts="multinomial"), fitted())
    expected = 2 * (fitted().log_likelihood - fitted(counts="multinomial").log_likelihood)
    assert test.statistic == pytest.approx(expected)
    assert test.statistic > 50.0  # swarms of concentration 10 are far from independent moths
    without, whole = fitted(shifts=("trap-year",), year=40.0), fitted(year=40.0)
    test = likelihood_ratio(without, whole)
    assert test.statistic == pytest.approx(2 * (whole.log_likelihood - without.log_likelihood))
    assert test.statistic > 0.0
    assert test.p_value == pytest.approx(0.5 * chi2.sf(test.statistic, 1))
    assert "half chi-squared" in test.reference


def test_what_cannot_be_tested_is_refused() -> None:
    with pytest.raises(ModelError, match="fits no parameter more"):
        likelihood_ratio(fitted(), fitted())
    with pytest.raises(ModelError, match="larger model holds the base"):
        likelihood_ratio(fitted(), fitted(base=4.0))
    with pytest.raises(ModelError, match="needs two fits"):
        compare([fitted()])


def test_fits_to_different_records_are_refused() -> None:
    with pytest.raises(ModelError, match="not fitted to the same records: 16 trap-years"):
        compare([fitted(), fitted(seed=2)])
    one, other = (replace(fitted(), provenance={"inputs": {"catches.csv": h}}) for h in ("aa", "bb"))
    with pytest.raises(ModelError, match="different contents"):
        compare({"a": one, "b": other})
    shorter = replace(fitted(), left_out=fitted().left_out.assign(rows=3).reindex([0]).assign(rows=3))
    with pytest.raises(ModelError, match="left out different records"):
        compare({"a": fitted(), "b": shorter})


def test_the_number_of_flights_in_words() -> None:
    net = network(sites=4, years=3, requirements=(300.0, 800.0), spreads=(50.0, 60.0), seed=5)
    fits = [
        fit_flights(
            net.trap_years, net.weather, net.links, season=SEASON, base=10.0, flights=n, profiles=False
        )
        for n in (1, 2)
    ]
    words = flights_evidence(fits)
    assert words.startswith(
        "Two flights a season describe the catches best; one flight would not be supported"
    )
    assert f"AIC {fits[0].aic - fits[1].aic:.1f} higher" in words
    table = compare(fits)
    assert table["model"].tolist() == ["two flights", "one flight"]
    assert "has no place on the heat scale" in table["note"].iloc[1]
    with pytest.raises(ModelError, match="two numbers of flights"):
        flights_evidence([fits[0], fits[0]])
