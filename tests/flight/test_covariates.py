"""Columns of the trap table as covariates: numbers and text, references, and what is refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenofit.errors import ModelError
from phenofit.flight import FlightFit
from phenofit.flight.likelihood.covariates import covariate_design
from phenofit.report.sentences import flight_sentences
from tests.calls import check_residuals, contributions, fit_flights, influence
from tests.flight.networks import SEASON, Network, network


def with_columns(net: Network, columns: dict[str, dict[str, object]]) -> Network:
    """The same records with further columns of the traps."""
    years = net.trap_years.years
    added = years.assign(**{name: years["trap"].map(values) for name, values in columns.items()})
    return replace(net, trap_years=replace(net.trap_years, years=added))


@pytest.fixture(scope="module")
def net() -> Network:
    """Six traps, invented; the ones of the north fly 8 % later."""
    names = [f"T{i}" for i in range(6)]
    shift = {f"T{i}": 40.0 for i in range(2)}
    return with_columns(
        network(site_shifts=tuple(shift.items()), shift_sd=10.0),
        {
            "region": {t: "North" if t in shift else "South" for t in names},
            "north": {t: float(t in shift) for t in names},
            "three": dict(zip(names, ["b", "a", "c", "a", "b", "c"], strict=True)),
        },
    )


def fit(net: Network, *covariates: str, **options: object) -> FlightFit:
    settings: dict[str, object] = {"base": 10.0, "profiles": False, **options}
    records = (net.trap_years, net.weather, net.links)
    return fit_flights(*records, season=SEASON, covariates=covariates, **settings)  # type: ignore[arg-type]


def test_coding_is_that_of_dummy_columns() -> None:
    # Outside answer: pandas.get_dummies.
    table = pd.DataFrame({"host": ["oak", "ash", "oak", "elm", "oak", "elm"], "total": 9})
    design = covariate_design(table, ["host"])
    dummies = pd.get_dummies(table["host"], dtype=float)[["elm", "ash"]]
    assert design.names == ("host=elm", "host=ash")
    np.testing.assert_array_equal(design.values, dummies.to_numpy())
    assert design.reference == {"host": "oak"}


def test_equals_are_ordered_by_name_and_numbers_are_scaled() -> None:
    table = pd.DataFrame({"host": ["b", "a", "b", "a"], "height": ["1", "3", "1", "3"], "total": 5})
    design = covariate_design(table, ["host", "height"])
    assert design.names == ("host=b", "height")
    np.testing.assert_allclose(design.values, [[1, -1], [0, 1], [1, -1], [0, 1]])
    assert design.reference == {"host": "a", "height": 2.0}
    assert design.factor({"effect host=b": 0.5, "effect height": 0.25}, {"host": "b", "height": 4}) == (
        pytest.approx(np.exp(0.5 + 0.5))
    )


def test_text_and_zero_or_one_are_the_same_model(net: Network) -> None:
    text, number = fit(net, "region"), fit(net, "north")
    assert text.log_likelihood == pytest.approx(number.log_likelihood, abs=2e-3)
    x = number.data["north"]
    slope = number.parameters["effect north"] / x.std(ddof=0)
    assert text.parameters["effect region=North"] == pytest.approx(slope, abs=2e-3)
    at_south = number.requirement() * np.exp(-slope * x.mean())
    assert text.requirement() == pytest.approx(at_south, abs=0.5)


def test_the_ratio_is_found_and_named(net: Network, tmp_path: Path) -> None:
    found = fit(net, "region", profiles=("effect region=North",), shifts=("site", "trap-year"))
    low, high = found.interval("effect region=North")
    assert low is not None
    assert high is not None
    assert low < np.log(540.0 / 500.0) < high
    assert low > 0.0
    assert "requirements are those at region = South" in found.summary()
    assert "requirements are those at region = South" in flight_sentences(found)[0]
    found.to_json(tmp_path / "fit.json")
    again = FlightFit.from_json(tmp_path / "fit.json")
    assert covariate_design(again.data, again.settings.covariates).names == ("region=North",)
    assert again.to_json() == found.to_json()


def test_a_level_with_a_number_at_its_end_belongs_to_no_flight(net: Network) -> None:
    zones = with_columns(net, {"zone": {f"T{i}": f"zone_{1 + i % 2}" for i in range(6)}})
    row = fit(zones, "zone").estimates.set_index("parameter").loc["effect zone=zone_2"]
    assert pd.isna(row["flight"])


def test_residuals_contributions_and_influence_know_the_levels(net: Network) -> None:
    found = fit(net, "region", "three")
    records = (net.trap_years, net.weather, net.links)
    residual = check_residuals(found, *records)["residual"].dropna()
    assert residual.std() == pytest.approx(1.0, abs=0.15)
    assert len(contributions(found, *records)) == len(found.data)
    moved = influence(found, *records, leave_out="site").set_index("left_out")
    # Without the traps of one level another becomes the reference; the requirement given is that of the old one.
    assert moved["converged"].all()
    assert moved["requirement_1_change"].abs().max() < 60.0


def test_influence_says_where_the_reference_is_gone(net: Network) -> None:
    only = with_columns(net, {"own": {f"T{i}": "one" if i == 0 else "rest" for i in range(6)}})
    found = fit(only, "own")
    table = influence(found, only.trap_years, net.weather, net.links, leave_out="site")
    gone = table.set_index("left_out").loc["T0"]
    assert not gone["converged"]
    assert "its effect cannot be seen" in gone["note"]


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (["a", "a", "a"], "is 'a' for every trap-year with moths"),
        (["a", "", "b"], "missing for trap T2;"),
        (["a", None, "b"], "missing for trap T2;"),
        ([1.0, np.nan, 2.0], "missing for trap T2;"),
        ([1.0, np.inf, 2.0], "missing or not a number"),
        (["a", "2", "b"], "numbers for some traps and text for others"),
        ([2.0, 2.0, 2.0], "same for all traps"),
        (["a", "b", "b"], "has a single moth"),
    ],
)
def test_what_cannot_be_a_covariate_is_refused(values: list[object], words: str) -> None:
    table = pd.DataFrame({"trap": ["T1", "T2", "T3"], "x": values, "total": [1, 5, 5]})
    with pytest.raises(ModelError, match=words):
        covariate_design(table, ["x"])


def test_an_unknown_level_of_a_place_is_refused(net: Network) -> None:
    design = covariate_design(fit(net, "region").data, ["region"])
    with pytest.raises(ModelError, match="knows no level 'West' of 'region', only South, North"):
        design.code({"region": "West"})
    with pytest.raises(ModelError, match="needs the covariate 'region'"):
        design.code({"elevation_m": 3.0})
