"""The coordinates of a search: a one-to-one map with exact slopes, nearly orthogonal to the base, same maximum."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phenofit.flight import FlightFit
from phenofit.flight.estimate.maximise import curvature, maximise
from phenofit.flight.estimate.search import FIRST_NODES, covariance_at, find_maximum
from phenofit.flight.estimate.setup import build_likelihood, public_name, search_box
from phenofit.flight.intervals.profile import profile_entry, square_root
from phenofit.flight.likelihood.coordinates import Coordinates
from phenofit.flight.likelihood.log_likelihood import Layout
from phenofit.flight.likelihood.reference_heat import ReferenceHeat, reference_days, reference_heat
from phenofit.flight.model import FitSettings
from tests.flight.networks import HEAT, SEASON, fit_network, network

PAIR = {"requirements": (350.0, 900.0), "spreads": (50.0, 60.0)}
BASES = np.linspace(-5.0, 20.0, 21)
# An invented place: heat falls with the base, by the days behind each reference moment.
REFERENCE = ReferenceHeat(
    BASES,
    np.stack([1800.0 * np.exp(-BASES / 9.0), 2900.0 * np.exp(-BASES / 11.0)]),
    np.stack([16.0 * np.exp(-BASES / 14.0), 19.0 * np.exp(-BASES / 16.0)]),
    np.stack([18.0 * np.exp(-BASES / 15.0), 18.0 * np.exp(-BASES / 15.0)]),
)
LAYOUT = Layout(2, ())


def vectors() -> st.SearchStrategy[np.ndarray]:
    within = {"base": (-4.0, 19.0), "requirement": (2.0, 900.0), "upper": (20.0, 40.0), "size": (-3.0, 3.0)}
    parts = [st.floats(*within.get(e.parameter.name, (-1.0, 4.0))) for e in LAYOUT.entries]
    return st.tuples(*parts).map(np.array)


def in_order(theta: np.ndarray) -> np.ndarray:
    theta = theta.copy()
    theta[2] = theta[1] + 5.0 + theta[2]
    return theta


@settings(max_examples=200, deadline=None)
@given(vectors(), st.sampled_from([(), (1,), (2,), (1, 2), (3,), (6,)]))
def test_there_and_back_again(theta: np.ndarray, direct: tuple[int, ...]) -> None:
    theta = in_order(theta)
    coordinates = Coordinates(LAYOUT.entries, REFERENCE, frozenset(direct))
    z = coordinates.searched(theta)
    assert coordinates.vector(z) == pytest.approx(theta, rel=1e-9, abs=1e-9)
    for place in direct:
        assert z[place] == theta[place]
    many = np.stack([theta, theta])
    assert coordinates.vector(coordinates.searched(many)) == pytest.approx(many, rel=1e-9, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(vectors(), st.sampled_from([(), (1,), (2,)]))
def test_slopes_are_those_of_differences(theta: np.ndarray, direct: tuple[int, ...]) -> None:
    theta = in_order(theta)
    coordinates = Coordinates(LAYOUT.entries, REFERENCE, frozenset(direct))
    z = coordinates.searched(theta)
    weights = np.linspace(-1.0, 1.0, len(theta))
    pulled = coordinates.pulled(z, weights)
    for place in range(len(theta)):
        ends = []
        for sign in (-1.0, 1.0):
            moved = z.copy()
            moved[place] += sign * 1e-5
            ends.append(float(weights @ coordinates.vector(moved)))
        assert pulled[place] == pytest.approx((ends[1] - ends[0]) / 2e-5, rel=1e-5, abs=1e-4)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.floats(-20.0, 20.0), min_size=LAYOUT.size, max_size=LAYOUT.size))
def test_no_coordinates_give_a_negative_requirement_or_another_order(z: list[float]) -> None:
    theta = Coordinates(LAYOUT.entries, REFERENCE).vector(np.array(z))
    assert 0.0 < theta[1] < theta[2]


def test_the_first_requirement_is_days_from_the_reference_moment() -> None:
    coordinates = Coordinates(LAYOUT.entries, REFERENCE)
    theta = np.zeros(LAYOUT.size)
    at = REFERENCE.at(10.0)
    theta[0], theta[1] = 10.0, at.heat[0] + 2.0 * at.per_day[0]
    theta[2] = theta[1] + 30.0 * at.between[1]
    theta[3] = math.log(4.0 * at.per_day[0])
    z = coordinates.searched(theta)
    assert z[1] == pytest.approx(2.0, rel=0.05)
    assert math.exp(z[2]) == pytest.approx(30.0)
    assert math.exp(z[3]) == pytest.approx(4.0)


def test_reference_moments_are_medians_of_the_catch() -> None:
    data = network(sites=3, years=2, **PAIR).data()
    days = reference_days(data, 1)
    for i, (first, last) in enumerate(zip(data.catch_of[:-1], data.catch_of[1:], strict=True)):
        if data.catch_count[first:last].sum() < 10:
            # Too few moths: the median of all.
            continue
        when = (data.edge_day + data.edge_part)[[data.catch_left[first:last], data.catch_right[first:last]]]
        moths = np.repeat(when.mean(axis=0), data.catch_count[first:last])
        # The median of the single moths lies within two check intervals of the interpolated one.
        assert abs(float(np.median(moths)) - days[i, 0]) <= 14.0
    two = reference_days(data, 2)
    assert (two[:, 1] > two[:, 0]).all()


def test_reference_heat_is_the_mean_of_the_trap_years() -> None:
    data = network(sites=3, years=2).data()
    found = reference_heat(data, HEAT, 1, (-5.0, 20.0))
    days = reference_days(data, 1)[:, 0]
    for base in (0.0, 9.3):
        # The sums by hand: single sine over whole days, linear within a day.
        total = np.concatenate(
            [np.zeros((len(data.tmin), 1)), np.cumsum(_sine(data.tmin, data.tmax, base), axis=1)], axis=1
        )
        heat = []
        for i, when in enumerate(days):
            row = total[data.edge_series[data.edge_of[i]]]
            heat.append(float(np.interp(when, np.arange(len(row)), row)))
        assert float(found.at(base).heat[0]) == pytest.approx(np.mean(heat), rel=2e-3)


def _sine(tmin: np.ndarray, tmax: np.ndarray, base: float) -> np.ndarray:
    mean, half = 0.5 * (tmin + tmax), 0.5 * (tmax - tmin)
    z = np.clip((base - mean) / half, -1.0, 1.0)
    return np.asarray((half * np.sqrt(1.0 - z * z) + (mean - base) * np.arccos(z)) / np.pi)


@pytest.mark.parametrize("flights", [1, 2])
def test_days_are_nearly_orthogonal_to_the_base_and_share_the_maximum(flights: int) -> None:
    n = network(sites=5, years=4, **(PAIR if flights == 2 else {}))
    data = n.data()
    asked = FitSettings(SEASON, heat=HEAT, flights=flights)
    likelihood = build_likelihood(data, asked, FIRST_NODES, search=True)
    box, template = search_box(likelihood, asked)
    top, box, _ = find_maximum(likelihood, box, template)
    in_days = np.linalg.inv(curvature(likelihood, top.theta, box))
    # The same likelihood on the heat scale: base and requirement are one ridge, and nothing lies higher on it.
    likelihood.coordinates = Coordinates(likelihood.layout.entries)
    on_heat = np.linalg.inv(curvature(likelihood, top.theta, box))
    again = maximise(likelihood, top.theta, box, square_root(on_heat), tolerance=1e-4)
    assert again.value == pytest.approx(top.value, abs=5e-4)
    for matrix, low, high in ((on_heat, 0.95, 1.0), (in_days, 0.0, 0.5)):
        assert low < abs(matrix[0, 1]) / math.sqrt(matrix[0, 0] * matrix[1, 1]) < high


def test_draws_stay_possible_however_wide_they_are() -> None:
    fit = fit_network(network(sites=5, years=4, **PAIR), flights=2, profiles=False)
    assert fit.sampling is not None
    wide = replace(fit, sampling=replace(fit.sampling, covariance=fit.sampling.covariance * 400.0))
    found = wide.draws(2000, seed=3)
    assert (found["requirement_1"] > 0.0).all()
    assert (found["requirement_2"] > found["requirement_1"]).all()
    assert found["base"].between(*fit.settings.base_range).all()
    # Narrow draws are the normal ones: base and requirement vary together as the covariance says.
    near = replace(fit, sampling=replace(fit.sampling, covariance=fit.sampling.covariance * 1e-4)).draws(
        4000, seed=3
    )
    names = ["base", "requirement_1", "requirement_2"]
    expected = fit.covariance.loc[names, names].to_numpy() * 1e-4
    assert np.cov(near[names].to_numpy().T) == pytest.approx(expected, rel=0.1)


def test_a_last_digit_of_the_covariance_moves_no_draw() -> None:
    fit = fit_network(network(sites=5, years=4), profiles=False)
    assert fit.sampling is not None
    noise = 1e-13 * np.random.default_rng(1).standard_normal(fit.sampling.covariance.shape)
    moved = fit.sampling.covariance * (1.0 + noise + noise.T)
    other = replace(fit, sampling=replace(fit.sampling, covariance=moved))
    assert other.draws(200)["base"].to_numpy() == pytest.approx(fit.draws(200)["base"].to_numpy(), abs=1e-8)


def test_spread_and_shifts_are_given_in_days() -> None:
    fit = fit_network(network(sites=5, years=4), profiles=False)
    table = fit.estimates.set_index("parameter")
    days = table.loc["spread", "days"]
    # The invented weather gives some 12 to 16 degC above 10 degC a day at the flight.
    assert fit.spread() / 18.0 < float(str(days)) < fit.spread() / 8.0
    assert fit.in_days("shift_sd") == pytest.approx(table.loc["shift_sd", "days"])
    assert fit.in_days("base") is None
    assert fit.in_days("requirement_1") is None


@pytest.mark.parametrize("name", ["base", "requirement_1", "spread_1"])
def test_profiles_are_those_on_the_heat_scale(name: str) -> None:
    # The likelihood of base and requirements is the same function in any coordinates, and so are its intervals.
    data = network(sites=5, years=4).data()
    asked = FitSettings(SEASON, heat=HEAT, curve="normal", shifts=("year", "trap-year"))
    ends = []
    for search in (True, False):
        likelihood = build_likelihood(data, asked, FIRST_NODES, search=search)
        box, template = search_box(likelihood, asked)
        if search:
            top, box, _ = find_maximum(likelihood, box, template)
        covariance, _ = covariance_at(likelihood, top, box)
        index = next(
            k for k in range(likelihood.layout.size) if public_name(likelihood, asked, k).endswith(name)
        )
        logarithmic = bool(likelihood.layout.entries[index].parameter.transform)
        profile, _ = profile_entry(
            likelihood,
            top,
            box,
            covariance,
            index,
            name=name,
            logarithmic=logarithmic,
            level=0.9,
            degrees=3.0,
        )
        ends.append(profile.interval(0.9))
    width = abs(float(ends[1][1] or 0.0) - float(ends[1][0] or 0.0))
    for ours, theirs in zip(*ends, strict=True):
        assert (ours is None) == (theirs is None)
        if ours is not None and theirs is not None:
            assert ours == pytest.approx(theirs, abs=2e-3 * width)


def test_a_fit_file_of_the_older_kind_is_read_and_draws_on_the_heat_scale(tmp_path: Path) -> None:
    fit = fit_network(network(sites=5, years=4), profiles=False)
    content = json.loads(fit.to_json())
    assert content["schema"] == "phenofit flight fit 2"
    again = tmp_path / "new.json"
    fit.to_json(again)
    assert FlightFit.from_json(again).draws(50).equals(fit.draws(50))
    del content["sampling"]
    content["schema"] = "phenofit flight fit 1"
    older = tmp_path / "old.json"
    older.write_text(json.dumps(content), encoding="utf-8")
    read = FlightFit.from_json(older)
    assert read.parameters == fit.parameters
    assert read.in_days("shift_sd") is None
    drawn = read.draws(4000)
    assert drawn["requirement_1"].std() == pytest.approx(math.sqrt(_variance(fit, "requirement_1")), rel=0.1)
    assert (drawn["requirement_1"] > 0.0).all()


def _variance(fit: FlightFit, name: str) -> float:
    at = list(fit.covariance.columns).index(name)
    return float(fit.covariance.to_numpy()[at, at])
