"""The table of parameters: its entries are where the compiled code expects them, and names are read back."""

from __future__ import annotations

import pytest

from phenofit.flight.likelihood.log_likelihood import Layout
from phenofit.flight.likelihood.parameters import parameter_of, plain_name, split_name


@pytest.mark.parametrize("flights", [1, 2, 3])
def test_entries_stand_at_the_places_of_the_compiled_code(flights: int) -> None:
    layout = Layout(flights, ("elevation", "zone_2"))
    places = layout.places
    starts = dict(
        zip(places, places._fields, strict=True)
    )  # of equal places the last: an empty one comes before
    kind = ""
    for place, entry in enumerate(layout.entries):
        kind = starts.get(place, kind)
        assert kind == (
            "effects" if entry.parameter.name == "effect" else entry.parameter.inner or entry.parameter.name
        )
    assert len(layout.entries) == places.end


@pytest.mark.parametrize(
    ("public", "name", "flight"),
    [
        ("base", "base", None),
        ("requirement_2", "requirement", 2),
        ("log size_sd_3", "size_sd", 3),
        ("logit stray_share", "stray_share", None),
        ("log shift_sd_site", "shift_sd_site", None),
        ("effect zone_2", "effect zone_2", None),
    ],
)
def test_a_name_in_results_is_read_back(public: str, name: str, flight: int | None) -> None:
    assert split_name(public) == (name, flight)
    parameter = parameter_of(public)
    assert parameter is not None
    assert parameter.name == name.split(" ")[0]


@pytest.mark.parametrize("group", [None, "year", "site"])
def test_names_in_results_are_in_the_table(group: str | None) -> None:
    for entry in Layout(3, ("elevation",)).entries:
        public = entry.public(group, group == "year")
        assert plain_name(public) == entry.plain(group, group == "year")
        if plain_name(public) != "cross_sd":  # plays a part with crossed groups only
            found = parameter_of(public)
            assert found is not None
            assert found.unit == entry.parameter.unit


@pytest.mark.parametrize("name", ["", "effect", "effect ", "group_sd", "size_sd", "heat_1"])
def test_what_is_no_parameter_has_no_unit_of_its_own(name: str) -> None:
    parameter = parameter_of(name)
    assert parameter is None or parameter.first_flight


@pytest.mark.parametrize(("name", "value"), [("base", -3.0), ("spread_1", 60.0), ("stray_share", 0.02)])
def test_the_scale_of_the_search_is_taken_back(name: str, value: float) -> None:
    parameter = parameter_of(name)
    assert parameter is not None
    assert parameter.natural(parameter.searched(value)) == pytest.approx(value, rel=1e-14)
