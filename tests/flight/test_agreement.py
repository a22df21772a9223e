"""The covariance that forecasts draw from agrees with the likelihood, also where the curvature is wrong."""

from __future__ import annotations

import math

import numpy as np
import pytest

from phenofit import FlightModel
from phenofit.flight import fit_flights as fit_records
from phenofit.flight.estimate.maximise import Box, Maximum
from phenofit.flight.estimate.search import FIRST_NODES, covariance_at, find_maximum
from phenofit.flight.estimate.setup import build_likelihood, search_box
from phenofit.flight.intervals.curvature import Disagreement, agreed_covariance
from phenofit.flight.intervals.profile import profile_entry
from phenofit.flight.problems import curvature_problems
from tests.calls import assemble, fit_flights
from tests.recovery.other_truths import Truth, draw_network, normal
from tests.validate.networks import HEAT, SEASON, network


class Model:
    """A small fit, taken apart."""

    def __init__(self) -> None:
        n = network(sites=6, years=5)
        self.call = (n.trap_years(), n.weather, n.links)
        self.whole = fit_flights(*self.call, season=SEASON, heat=HEAT, profiles=False)
        data = assemble(*self.call, season=SEASON)
        self.likelihood = build_likelihood(data, self.whole.settings, FIRST_NODES, search=True)
        self.box, template = search_box(self.likelihood, self.whole.settings)
        self.top: Maximum = find_maximum(self.likelihood, self.box, template)[0]
        self.covariance, self.interior = covariance_at(self.likelihood, self.top, self.box)

    def agreed(self, covariance: np.ndarray) -> tuple[np.ndarray, tuple[Disagreement, ...]]:
        return agreed_covariance(self.likelihood, self.top, self.box, covariance, self.interior, profiles={})


@pytest.fixture(scope="module")
def model() -> Model:
    return Model()


def test_a_curvature_that_is_right_is_kept_to_the_byte(model: Model) -> None:
    found, disagreements = model.agreed(model.covariance)
    assert disagreements == ()
    assert found is model.covariance


@pytest.mark.parametrize("factor", [200.0, 5.0, 0.1])
def test_a_wrong_error_along_the_ridge_is_replaced_by_the_profile(model: Model, factor: float) -> None:
    # The error of base and requirement along their own direction is made wrong, as a nearly singular curvature does.
    direction = model.covariance[:, 0] / math.sqrt(model.covariance[0, 0])
    wrong = model.covariance + (factor**2 - 1.0) * np.outer(direction, direction)
    found, disagreements = model.agreed(wrong)
    assert [d.name for d in disagreements] == ["base"]
    assert disagreements[0].curvature == pytest.approx(factor * math.sqrt(model.covariance[0, 0]), rel=1e-6)
    # The error of the base is half the width of its profile at a deviance of 1.
    profile, _ = profile_entry(
        model.likelihood.twin(), model.top, model.box, model.covariance, 0, name="base", logarithmic=False,
        level=0.6827, degrees=math.inf,
    )  # fmt: skip
    low, high = profile.crossing(1.0)
    assert low is not None
    assert high is not None
    assert math.sqrt(found[0, 0]) == pytest.approx(0.5 * (high - low), rel=0.02)
    assert disagreements[0].profile == pytest.approx(0.5 * (high - low), rel=0.02)
    # The requirement follows the base as it did: a warmer base goes with a smaller sum.
    slope, right = found[1, 0] / found[0, 0], model.covariance[1, 0] / model.covariance[0, 0]
    assert slope == pytest.approx(right, rel=0.15)
    assert (np.linalg.eigvalsh(found) > 0.0).all()
    held, held_right = (c[1, 1] - c[1, 0] ** 2 / c[0, 0] for c in (found, model.covariance))
    assert held == pytest.approx(held_right, rel=0.05)


def test_a_fit_with_a_wrong_curvature_says_so_and_draws_from_the_profile(
    model: Model, monkeypatch: pytest.MonkeyPatch
) -> None:
    def collapsed(*arguments: object) -> tuple[np.ndarray, np.ndarray]:
        covariance, interior = covariance_at(*arguments)  # type: ignore[arg-type]
        direction = covariance[:, 0] / math.sqrt(covariance[0, 0])
        return covariance + 400.0**2 * np.outer(direction, direction), interior

    monkeypatch.setattr("phenofit.flight.fitting.covariance_at", collapsed)
    found = fit_flights(*model.call, season=SEASON, heat=HEAT, profiles=False)
    assert any("the base a standard error of" in p and "draw from the profile" in p for p in found.problems)
    assert found.draws(500)["base"].std() == pytest.approx(model.whole.draws(500)["base"].std(), rel=0.3)
    assert not any("standard error" in p for p in model.whole.problems)


def test_an_error_wider_than_the_search_range_is_checked_inside_it(model: Model) -> None:
    # One standard error leads out of a narrow range: the part inside it is what is compared.
    base = float(model.top.theta[0])
    box = Box(model.box.low.copy(), model.box.high.copy(), model.box.free)
    box.low[0], box.high[0] = base - 0.3, base + 0.3
    assert (
        agreed_covariance(model.likelihood, model.top, box, model.covariance, model.interior, profiles={})[1]
        == ()
    )


def test_the_sentence_names_parameter_and_unit() -> None:
    base, requirement = curvature_problems(
        (Disagreement("base", 518.0, 2.7, "degC"), Disagreement("requirement_2", 900.0, 61.0, "days"))
    )
    assert base == (
        "The curvature at the maximum gives the base a standard error of 518 and its profile one of 2.7 °C: forecasts "
        "draw from the profile."
    )
    assert "requirement, flight 2" in requirement
    assert "61 days" in requirement


def test_the_wrong_error_is_found_in_a_fit_with_intervals_too(model: Model) -> None:
    fit = fit_flights(*model.call, season=SEASON, heat=HEAT, profiles=("base",))
    wrong = model.covariance.copy()
    wrong[0, :] *= 50.0
    wrong[:, 0] *= 50.0
    found, disagreements = agreed_covariance(
        model.likelihood, model.top, model.box, wrong, model.interior, profiles=fit.profiles
    )
    assert disagreements[0].name == "base"
    low, high = fit.profiles["base"].crossing(1.0)
    assert low is not None
    assert high is not None
    assert math.sqrt(found[0, 0]) == pytest.approx(0.5 * (high - low), rel=1e-6)


def test_an_sd_that_the_records_do_not_inform_spoils_no_other_error() -> None:
    """Four years of a network whose sites do not differ: the likelihood is nearly level in the log of their SD."""
    truth = Truth((normal(350.0), normal(900.0)), window=("04-15", "09-30"))
    records = draw_network(truth, "champion", seed=(91, 11)).records().select(years=(2004, 2005, 2006, 2007))
    fit = fit_records(records, FlightModel(flights=2, curve="normal"), profiles=False)
    draws = fit.draws(400, seed=1)
    assert 0.5 < draws["base"].std() < 4.0
    for flight in (1, 2):
        assert draws[f"spread_{flight}"].std() < 0.5 * fit.spread(flight)
        assert draws[f"requirement_{flight}"].std() < 0.5 * fit.requirement(flight)
