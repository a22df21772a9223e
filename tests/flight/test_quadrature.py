"""The rule for flight sizes: exact for polynomials of degree 5 under the normal distribution; its error in a fit."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest

from phenofit.flight.estimate.search import FIRST_NODES, find_maximum
from phenofit.flight.estimate.setup import build_likelihood, search_box
from phenofit.flight.likelihood.quadrature import DEGREE_FIVE, degree_five, latent_grid
from phenofit.flight.model import FitSettings
from tests.flight.networks import HEAT, SEASON, network


def moment(power: int) -> float:
    """The moment of a standard normal value: 1, 0, 1, 0, 3, 0."""
    return 0.0 if power % 2 else float(math.prod(range(1, power, 2)))


@pytest.mark.parametrize(("dims", "nodes"), [(2, 7), (3, 14), (4, 24), (5, 42)])
def test_the_rule_takes_all_moments_up_to_degree_five(dims: int, nodes: int) -> None:
    places, weights = degree_five(dims)
    assert len(weights) == nodes
    assert (weights > 0.0).all()
    for powers in product(range(6), repeat=dims):
        if sum(powers) <= 5:
            expected = math.prod(moment(p) for p in powers)
            assert float(weights @ np.prod(places**powers, axis=1)) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(("sizes", "dims"), [(DEGREE_FIVE, 1), (DEGREE_FIVE, 2), (DEGREE_FIVE, 4), (7, 3)])
def test_a_grid_integrates_a_normal_density(sizes: int, dims: int) -> None:
    places, logs = latent_grid(7, sizes, dims)
    # The weights are those times exp(t^2 / 2): the density itself integrates to 1, its variance is 1.
    density = np.exp(logs - 0.5 * (places**2).sum(axis=1)) / (2.0 * math.pi) ** (0.5 * dims)
    assert density.sum() == pytest.approx(1.0, abs=1e-9)
    assert (density @ places**2) == pytest.approx(np.ones(dims), abs=1e-9)


@pytest.mark.parametrize("flights", [3, 4])
def test_the_error_of_the_rule_is_removed_at_the_maximum(flights: int) -> None:
    requirements = {3: (250.0, 700.0, 1200.0), 4: (200.0, 500.0, 800.0, 1150.0)}[flights]
    n = network(sites=4, years=3, requirements=requirements, spreads=(50.0,) * flights)
    asked = FitSettings(SEASON, heat=HEAT, flights=flights, base=10.0)
    likelihood = build_likelihood(n.data(), asked, FIRST_NODES, search=True)
    box, template = search_box(likelihood, asked)
    top, box, left = find_maximum(likelihood, box, template)
    exact = build_likelihood(n.data(), asked, (15, 9, 11), search=True)
    value, slopes = exact(top.theta)
    assert top.value == pytest.approx(value, abs=0.01)
    assert left < 0.01
    # No estimate is off by more than a fiftieth of its standard error: slope times standard error.
    errors = np.sqrt(np.maximum(np.diag(top.spread), 0.0))
    coordinates = exact.coordinates.keeping(box.direct)
    pulled = coordinates.pulled(coordinates.searched(top.theta), slopes)[box.free]
    assert float(np.abs(pulled * errors).max()) < 0.05
