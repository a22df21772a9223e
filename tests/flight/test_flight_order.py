"""Flights are numbered in order of time: in the search, in held values, in draws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from phenofit.errors import FitError, ModelError
from phenofit.flight import FlightFit
from phenofit.flight.estimate.flight_order import in_order, require_order
from phenofit.flight.estimate.maximise import maximise
from phenofit.flight.estimate.setup import build_likelihood, search_box
from tests.calls import assemble, fit_flights
from tests.validate.networks import HEAT, SEASON, network

PAIR = {"requirements": (350.0, 900.0), "spreads": (45.0, 70.0)}


def fit(**options: object) -> FlightFit:
    n = network(sites=5, years=4, **PAIR)
    return fit_flights(
        n.trap_years(), n.weather, n.links, season=SEASON, heat=HEAT, flights=2, base=10.0, profiles=False,
        **options,
    )  # fmt: skip


def test_a_search_that_ended_in_the_wrong_order_goes_on_in_order() -> None:
    n = network(sites=5, years=4, **PAIR)
    right = fit()
    data = assemble(n.trap_years(), n.weather, n.links, season=SEASON)
    likelihood = build_likelihood(data, right.settings, (15, 9, 11))
    box, template = search_box(likelihood, right.settings)
    index = likelihood.layout.index
    theta = template.copy()
    # The maximum with the numbers of the two flights exchanged.
    p = right.parameters
    theta[index("requirement_1")], theta[index("requirement_2")] = p["requirement_2"], p["requirement_1"]
    theta[index("log spread_1")], theta[index("log spread_2")] = np.log(p["spread_2"]), np.log(p["spread_1"])
    theta[index("size_2")] = -p["size_2"]
    theta[index("log size_sd_2")] = np.log(p["size_sd_2"])
    theta[index("log concentration")] = np.log(p["concentration"])
    theta[index("log group_sd")] = np.log(p["shift_sd_year"])
    theta[index("log shift_sd")] = np.log(p["shift_sd"])
    factor = np.diag(np.full(int(box.free.sum()), 0.05))
    wrong = maximise(likelihood, theta, box, factor, limit=5)
    assert wrong.theta[index("requirement_1")] > wrong.theta[index("requirement_2")]
    with pytest.raises(FitError, match=r"not in order of time: half of flight 1 at 9\d\d, flight 2 at 3\d\d"):
        require_order(likelihood, wrong.theta)
    found = in_order(likelihood, wrong, box, factor, tolerance=0.01)
    require_order(likelihood, found.theta)
    assert found.value == pytest.approx(wrong.value, abs=0.05)
    assert found.theta[index("requirement_1")] == pytest.approx(p["requirement_1"], abs=3.0)
    assert found.theta[index("size_2")] == pytest.approx(p["size_2"], abs=0.05)
    assert np.exp(found.theta[index("log spread_1")]) == pytest.approx(p["spread_1"], rel=0.05)
    # What is in order is not touched.
    assert in_order(likelihood, found, box, factor, tolerance=0.01) is found


def test_held_requirements_out_of_order_are_refused() -> None:
    with pytest.raises(ModelError, match=r"half of flight 1 at 900, flight 2 at 350 °C-days is held"):
        fit(hold={"requirement_1": 900.0, "requirement_2": 350.0})


@pytest.mark.parametrize(("held", "value"), [("requirement_1", 1000.0), ("requirement_2", 250.0)])
def test_a_held_requirement_keeps_the_other_flight_on_its_side(held: str, value: float) -> None:
    found = fit(hold={held: value})
    assert found.parameters[held] == pytest.approx(value)
    assert found.requirement(2) >= found.requirement(1)


def test_no_draw_has_a_negative_requirement_or_flights_in_the_wrong_order() -> None:
    right = fit()
    # Errors so wide that plain normal draws are often impossible.
    wide = replace(right, covariance=right.covariance * 4000.0)
    found = wide.draws(2000, seed=3)
    assert (found["requirement_1"] > 0.0).all()
    assert (found["requirement_2"] >= found["requirement_1"]).all()
    assert found["requirement_1"].std() > 50.0
    # Draws that were possible at once are the plain normal ones.
    deviation = right.draws(4000, seed=3)["requirement_1"].std()
    assert deviation == pytest.approx(right.covariance["requirement_1"].to_numpy()[0] ** 0.5, rel=0.05)


def test_draws_end_where_no_draw_is_possible() -> None:
    right = fit()
    lost = replace(
        right, parameters={**right.parameters, "requirement_1": -1e6}, covariance=right.covariance * 1e-6
    )
    assert (lost.draws(20)["requirement_1"] == -1e6).all()
