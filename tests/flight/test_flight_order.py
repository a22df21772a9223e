"""Flights are numbered in order of time: by the coordinates of the search, in held values, in draws."""

from __future__ import annotations

import pytest

from phenofit.errors import ModelError
from phenofit.flight import FlightFit
from tests.calls import fit_flights
from tests.validate.networks import HEAT, SEASON, network

PAIR = {"requirements": (350.0, 900.0), "spreads": (45.0, 70.0)}


def fit(**options: object) -> FlightFit:
    n = network(sites=5, years=4, **PAIR)
    return fit_flights(
        n.trap_years(), n.weather, n.links, season=SEASON, heat=HEAT, flights=2, base=10.0, profiles=False,
        **options,
    )  # fmt: skip


def test_held_requirements_out_of_order_are_refused() -> None:
    with pytest.raises(ModelError, match=r"half of flight 1 at 900, flight 2 at 350 °C-days is held"):
        fit(hold={"requirement_1": 900.0, "requirement_2": 350.0})


@pytest.mark.parametrize(("held", "value"), [("requirement_1", 1000.0), ("requirement_2", 250.0)])
def test_a_held_requirement_keeps_the_other_flight_on_its_side(held: str, value: float) -> None:
    found = fit(hold={held: value})
    assert found.parameters[held] == pytest.approx(value)
    assert found.requirement(2) >= found.requirement(1)
