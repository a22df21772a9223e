"""The joint region of base and requirement against refits, its shadow, and its open sides."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import chi2, f

from phenofit.errors import ModelError
from phenofit.flight import FlightFit, JointRegion
from phenofit.flight.intervals.reference_distribution import p_value_of_ratio
from tests.calls import fit_flights, joint_region
from tests.flight.networks import SEASON, Network, network


def fit(net: Network, **options: object) -> FlightFit:
    return fit_flights(net.trap_years, net.weather, net.links, season=SEASON, **options)


def region(net: Network, found: FlightFit, **options: object) -> JointRegion:
    return joint_region(found, net.trap_years, net.weather, net.links, **options)


@pytest.fixture(scope="module")
def net() -> Network:
    return network(sites=8)


@pytest.fixture(scope="module")
def one(net: Network) -> FlightFit:
    return fit(net, level=0.99, profiles=("base", "requirement_1"))


@pytest.fixture(scope="module")
def both(net: Network, one: FlightFit) -> JointRegion:
    return region(net, one, level=0.9)


def test_on_the_outline_the_refitted_likelihood_has_fallen_to_the_cut(
    net: Network, one: FlightFit, both: JointRegion
) -> None:
    fallen = []
    for k in (0, 12, 35, 60, 75, 100):
        base, requirement = (float(v) for v in both.outline[k])
        held = fit(net, base=base, hold={"requirement_1": requirement}, profiles=False)
        fallen.append(2.0 * (one.log_likelihood - held.log_likelihood))
    np.testing.assert_allclose(fallen, both.cut, rtol=0.04)


def test_its_shadow_ends_where_the_profile_of_one_falls_as_far(one: FlightFit, both: JointRegion) -> None:
    profile = one.profile("base")
    root = np.sqrt(np.maximum(profile.deviance, 0.0)) * np.sign(profile.values - profile.estimate)
    ends = np.interp([-math.sqrt(both.cut), math.sqrt(both.cut)], root, profile.values)
    np.testing.assert_allclose([both.outline[:, 0].min(), both.outline[:, 0].max()], ends, atol=0.1)


def test_inside_and_outside(one: FlightFit, both: JointRegion) -> None:
    assert both.estimate == (one.base, one.requirement())
    assert both.contains(*both.estimate)
    # Half way to the outline is inside, half as far again is not: the region has no hole and is seen from within.
    centre = np.array(both.estimate)
    for share, inside in ((0.6, True), (1.5, False)):
        points = centre + share * (both.outline[::6] - centre)
        assert (both.contains(points[:, 0], points[:, 1]) == inside).mean() > 0.9
    # A base two degrees off with the requirement kept is far off the ridge.
    assert not both.contains(one.base + 2.0, one.requirement())
    table = both.table()
    assert table.attrs["units"] == {"base": "degC", "requirement_1": "degC d"}
    assert "90 % region of both together: base" in both.summary()


def test_the_cut_is_that_of_two_parameters(net: Network, both: JointRegion) -> None:
    assert both.cut == pytest.approx(6.0 * math.log(1.0 + 2.0 * f.ppf(0.9, 2, 4) / 4.0))  # five years
    assert p_value_of_ratio(both.cut, 2, 4.0) == pytest.approx(0.1)
    plain = fit(net, shifts=(), profiles=False)
    found = region(net, plain, names=("requirement_1", "spread_1"), level=0.95)
    # 5.991 is in any table of chi-squared.
    assert found.cut == pytest.approx(5.991, abs=1e-3)
    assert found.cut == pytest.approx(chi2.ppf(0.95, 2))
    assert found.contains(plain.requirement(), plain.spread())
    assert found.outline[:, 1].min() > 0.0


def test_open_sides_are_told() -> None:
    poor = network(sites=2, years=2, moths=15.0)
    loose = fit(poor, profiles=("base",))
    found = region(poor, loose)
    assert any("base down to the end of the search at -5 degC" in side for side in found.open_sides)
    assert any("base up to the end of the search at 20 degC" in side for side in found.open_sides)
    assert found.outline[:, 0].min() == pytest.approx(-5.0)
    assert "Open: the base down" in found.summary()


def test_what_was_not_fitted_has_no_region(net: Network) -> None:
    held = fit(net, base=10.0, profiles=False)
    with pytest.raises(ModelError, match="'base' was held"):
        region(net, held)
    with pytest.raises(ModelError, match="two different"):
        region(net, held, names=("requirement_1", "requirement_1"))
    with pytest.raises(ModelError, match="confidence level"):
        region(net, held, names=("requirement_1", "spread_1"), level=1.2)
