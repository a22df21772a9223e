"""Nodes for the latent values of a trap-year: its shift, and the log sizes of its flights.

The shift gets Gauss-Hermite nodes. The log sizes share one set of nodes for each shift, by a rule that is exact for
polynomials of degree 5 under the normal distribution. Its number of nodes is 3, 7, 14 and 24 for one to four sizes,
where a product of rules would take 5, 25, 125 and 625. The product is there too, to measure the error.
"""

from __future__ import annotations

import math
from functools import cache
from itertools import product

import numpy as np
import numpy.typing as npt
from numpy.polynomial.hermite_e import hermegauss

Floats = npt.NDArray[np.float64]

DEGREE_FIVE = 3
"""Code that is given instead of a number of nodes: the rule of degree 5 over all sizes."""

_MOST_OF_SIZES = {
    3: 9,
    4: 5,
}  # nodes of each size in a product, by dimensions; beyond these the rule of degree 5

# A node whose nominal share is below exp(-36) of the largest does not change the value, even with tails wider than normal.
_NO_WEIGHT = 36.0


def hermite(count: int) -> tuple[Floats, Floats]:
    """Return Gauss-Hermite nodes and the logs of their weights times exp(t^2 / 2)."""
    nodes, weights = hermegauss(count)
    return nodes, np.log(weights) + 0.5 * nodes**2


@cache
def latent_grid(shifts: int, sizes: int, dims: int) -> tuple[Floats, Floats]:
    """Return nodes for a shift and ``dims - 1`` log sizes, and the logs of their weights times exp(t^2 / 2)."""
    shift, shift_logs = hermite(shifts)
    size, size_logs = _size_rule(sizes, dims - 1)
    places = np.concatenate([np.repeat(shift, len(size))[:, None], np.tile(size, (len(shift), 1))], axis=1)
    total = np.repeat(shift_logs, len(size)) + np.tile(size_logs, len(shift))
    share = total - 0.5 * (places**2).sum(axis=1)
    keep = share > share.max() - _NO_WEIGHT
    return np.ascontiguousarray(places[keep]), np.ascontiguousarray(total[keep])


def affordable(nodes: tuple[int, int, int], dims: int) -> tuple[int, int, int]:
    """Return nodes of shift, sizes and group whose product stays below some thousands with several flights."""
    shift, sizes, group = nodes
    if dims > max(_MOST_OF_SIZES):
        return shift, DEGREE_FIVE, group
    return shift, min(sizes, _MOST_OF_SIZES.get(dims, sizes)), group


def _size_rule(count: int, dims: int) -> tuple[Floats, Floats]:
    if dims == 0:
        return np.zeros((1, 0)), np.zeros(1)
    if count != DEGREE_FIVE or dims == 1:
        nodes, logs = hermite(count)
        places = np.array(list(product(nodes, repeat=dims)))
        return places, np.array([sum(pair) for pair in product(logs, repeat=dims)])
    places, weights = degree_five(dims)
    return places, np.log(weights) + 0.5 * dims * math.log(2.0 * math.pi) + 0.5 * (places**2).sum(axis=1)


def degree_five(dims: int) -> tuple[Floats, Floats]:
    """Return nodes and weights of a rule of degree 5 for the standard normal distribution in two dimensions or more.

    Two dimensions: the centre and a hexagon. More: points on the axes and the corners of a cube, with radii and weights
    that match the second and fourth moments (Stroud 1971, *Approximate Calculation of Multiple Integrals*, formulas for
    the weight exp(-r^2) of degree 5; from memory, checked by the moments).
    """
    if dims == 2:
        angle = np.arange(6) * math.pi / 3.0
        ring = 2.0 * np.column_stack([np.cos(angle), np.sin(angle)])
        return np.concatenate([np.zeros((1, 2)), ring]), np.array([0.5, *[1.0 / 12.0] * 6])
    axis, corner = math.sqrt((dims + 2) / 2.0), math.sqrt((dims + 2) / (dims - 2.0))
    on_axes = np.concatenate([axis * np.eye(dims), -axis * np.eye(dims)])
    corners = corner * np.array(list(product((-1.0, 1.0), repeat=dims)))
    weights = np.concatenate([np.full(2 * dims, axis**-4.0), np.full(2**dims, corner**-4.0 / 2.0**dims)])
    return np.concatenate([on_axes, corners]), weights
