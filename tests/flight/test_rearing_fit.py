"""Rearing data within a flight fit: the pooled answer, limits of strong and weak priors, words, file and refusals."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import minimize

from phenofit.errors import ModelError
from phenofit.flight import FlightFit, RearingTerm, compare, likelihood_ratio, published_rearing, rearing_term
from phenofit.flight.fitted_likelihood import likelihood_at
from phenofit.heat import fit_rearing
from phenofit.plan.assumed_truth import truth_of_fit
from phenofit.validate import PublishedThreshold
from tests.calls import cross_validate, fit_flights
from tests.flight.networks import SEASON, Network, network

# Invented durations; the line through their rates has a base near 9.5 degC.
REARED = fit_rearing([14.0, 17.0, 20.0, 24.0, 28.0], [71.0, 44.5, 31.0, 22.6, 17.4])


def fit(net: Network, rearing: RearingTerm | None = None, **options: object) -> FlightFit:
    settings: dict[str, object] = {"profiles": False, **options}
    return fit_flights(net.trap_years, net.weather, net.links, season=SEASON, rearing=rearing, **settings)


def biofix(net: Network) -> dict[tuple[str, int], np.datetime64]:
    years = net.trap_years.years
    return {
        (s, int(y)): np.datetime64(f"{y}-01-01") for s, y in zip(years["site"], years["year"], strict=True)
    }


@pytest.fixture(scope="module")
def net() -> Network:
    return network(sites=5, years=4)


@pytest.fixture(scope="module")
def alone(net: Network) -> FlightFit:
    return fit(net)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["normal", "durations"])
def test_the_top_is_that_of_the_sum(net: Network, alone: FlightFit, kind: str) -> None:
    # Outside search: scipy's own, with numerical slopes, on field log-likelihood plus term, from the field's own top.
    term = rearing_term(REARED, kind=kind)
    together = fit(net, term)
    like, theta = likelihood_at(net.data(), alone)
    like.nodes = (15, 9, 7)
    free = [0, 1, 2, 3, 4, 5]  # base, requirement, spread, concentration, year SD, trap-year SD

    def fall(x: np.ndarray) -> float:
        at = theta.copy()
        at[free] = theta[free] + x * scale
        at[4:6] = np.maximum(at[4:6], np.log(0.5))
        return -like(at, False)[0] - term.value_and_slope(float(at[0]), float(at[1]))[0]

    scale = np.array([1.0, 40.0, 0.1, 0.2, 0.5, 0.2])
    found = minimize(fall, np.zeros(6), method="BFGS", options={"gtol": 1e-3})
    # A search that has stopped too early is moved on by one without slopes.
    found = minimize(fall, found.x, method="Nelder-Mead", options={"maxiter": 100})
    assert together.log_likelihood == pytest.approx(-found.fun, abs=2e-3)
    error = np.sqrt(float(together.covariance["base"].to_dict()["base"]))
    assert together.base == pytest.approx(theta[0] + found.x[0], abs=0.02 * error + 0.005)


def test_a_strong_prior_pins_the_base_and_a_flat_one_changes_nothing(net: Network, alone: FlightFit) -> None:
    pinned = fit(net, published_rearing(base=9.0, base_se=1e-3))
    assert pinned.base == pytest.approx(9.0, abs=0.01)
    held = fit(net, base=9.0)
    assert pinned.requirement() == pytest.approx(held.requirement(), abs=0.5)
    flat = fit(net, published_rearing(base=9.0, base_se=1e4))
    assert flat.log_likelihood == pytest.approx(alone.log_likelihood, abs=1e-3)
    assert flat.base == pytest.approx(alone.base, abs=0.01)


def test_field_and_rearing_are_pooled_by_their_errors(net: Network, alone: FlightFit) -> None:
    # Where both are near to normal, the pooled base is the mean weighted by the inverse variances (textbook).
    error = float(np.sqrt(float(alone.covariance["base"].to_dict()["base"])))
    term = published_rearing(base=alone.base + error, base_se=error)
    both = fit(net, term)
    assert both.base == pytest.approx(alone.base + 0.5 * error, abs=0.15 * error)
    assert np.sqrt(float(both.covariance["base"].to_dict()["base"])) == pytest.approx(
        error / np.sqrt(2.0), rel=0.15
    )


def test_an_open_interval_closes() -> None:
    poor = network(sites=2, years=2, moths=15.0)
    open_ends = fit(poor, profiles=("base",)).interval("base")
    assert open_ends == (None, None)
    low, high = fit(poor, rearing_term(REARED), profiles=("base",)).interval("base")
    assert low is not None
    assert high is not None
    assert low < REARED.base < high


def test_a_term_on_both_takes_part_with_a_biofix(net: Network) -> None:
    term = rearing_term(REARED, on="base and requirement")
    starts = biofix(net)
    with pytest.raises(ModelError, match="only where sums begin at the biofix"):
        fit(net, term)
    far = replace(term, base=10.0, base_se=0.01, requirement=450.0, requirement_se=0.1, covariance=0.0)
    found = fit(net, far, starts=starts)
    assert found.base == pytest.approx(10.0, abs=0.1)
    assert found.requirement() == pytest.approx(450.0, abs=1.0)
    assert any("rearing data and the catches disagree" in text for text in found.problems)


def test_it_is_said_kept_and_compared_with_care(net: Network, alone: FlightFit, tmp_path: Path) -> None:
    term = rearing_term(REARED, kind="durations", source="invented")
    found = fit(net, term)
    assert "rearing data take part by the durations at 5 temperatures on the base" in found.summary()
    assert any("not from the catches alone" in text for text in found.problems)
    found.to_json(tmp_path / "fit.json")
    again = FlightFit.from_json(tmp_path / "fit.json")
    assert again.settings.rearing == term
    assert again.to_json() == found.to_json()
    with pytest.raises(ModelError, match="do not use the same rearing data"):
        compare({"with": found, "without": alone})
    smaller = fit(net, term, shifts=("trap-year",))
    assert likelihood_ratio(smaller, found).degrees == 1
    plan = truth_of_fit(found)
    assert any("rearing" in text for text in plan.notes)
    assert plan.settings.rearing is None


def test_a_published_base_is_refitted_without_them(net: Network) -> None:
    published = PublishedThreshold(
        id="invented", species="s", event="flight_50", flight=1, amount=500.0, unit="degC d", base=10.0,
        method="single sine", start="01-01",
    )  # fmt: skip
    table = cross_validate(
        net.trap_years,
        net.weather,
        net.links,
        season=SEASON,
        thresholds=(published,),
        events=("flight_50",),
        fit_options={"rearing": rearing_term(REARED)},
        draws=100,
    )
    assert {"fitted", "published base, refitted"} <= set(table["forecaster"])
    assert table.attrs["failed"] == []


def test_a_held_base_leaves_nothing_to_say(net: Network) -> None:
    with pytest.raises(ModelError, match="base is held"):
        fit(net, rearing_term(REARED), base=10.0)
