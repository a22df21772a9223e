"""The number of flights chosen on data whose number is known, and the rules of the choice."""

from __future__ import annotations

from dataclasses import replace

import pytest

from phenofit.errors import ModelError
from phenofit.flight import FlightFit
from phenofit.flight.model import flight_candidates
from phenofit.flight.selection.flight_count import _chosen, _no_better
from tests.calls import choose_flights, fit_flights
from tests.flight.networks import SEASON, Network, network


def choose(n: Network, **options: object) -> FlightFit:
    return choose_flights(
        n.trap_years, n.weather, n.links, season=SEASON, base=10.0, profiles=False, **options
    )  # fmt: skip


def test_two_flights_far_apart_are_found_and_told() -> None:
    n = network(sites=3, years=2, requirements=(300.0, 800.0), spreads=(50.0, 60.0), seed=5)
    fit = choose(n, flights=(1, 2))
    assert fit.settings.flights == 2
    told = str(fit.provenance["flights choice"])
    assert "Two flights a season describe the catches best" in told
    assert "one flight would not be supported" in told
    alone = fit_flights(n.trap_years, n.weather, n.links, season=SEASON, base=10.0, flights=2, profiles=False)
    assert fit.parameters == alone.parameters


def test_one_flight_stays_one_and_a_given_number_is_not_compared() -> None:
    n = network(sites=3, years=3)
    fit = choose(n, flights="compare")
    assert fit.settings.flights == 1
    told = str(fit.provenance["flights choice"])
    assert "Three flights were not tried, as two flights did no better than fewer." in told
    single = choose(n, flights=1)
    assert single.parameters == fit.parameters
    assert "flights choice" not in single.provenance


def test_the_fewest_flights_within_two_of_the_least_aic_are_taken() -> None:
    # AIC is twice the number of parameters less twice the log-likelihood: steps of 1 in that move it by 2.
    n = network(sites=3, years=3)
    fit = choose(n, flights=1)
    near = {1: fit, 2: replace(fit, log_likelihood=fit.log_likelihood + 0.9)}
    assert _chosen(near) == 1
    assert not _no_better(near, 2)
    far = {1: fit, 2: replace(fit, log_likelihood=fit.log_likelihood + 1.1)}
    assert _chosen(far) == 2
    lost = {1: fit, 2: replace(far[2], converged=False)}
    assert _chosen(lost) == 1
    assert _no_better(lost, 2)
    assert _chosen({2: lost[2]}) == 2


@pytest.mark.parametrize("wrong", [0, 4, True, (), (1, 5), "many", "1"])
def test_numbers_that_no_fit_takes_are_refused(wrong: object) -> None:
    with pytest.raises(ModelError, match="1 to 3 flights a season"):
        flight_candidates(wrong)  # type: ignore[arg-type]
