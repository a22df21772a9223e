"""The maximum of the likelihood, on quadrature nodes whose error is measured, with the curvature there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phenofit.errors import FitError
from phenofit.flight.estimate.flat_spread import maximise_off_bounds
from phenofit.flight.estimate.flight_order import in_order
from phenofit.flight.estimate.maximise import Box, Maximum, curvature, maximise
from phenofit.flight.estimate.starting_values import first_scale, starting_points
from phenofit.flight.intervals.profile import square_root
from phenofit.flight.likelihood.log_likelihood import Likelihood

Nodes = tuple[int, int, int]

_START_NODES = (5, 3, 5)
_NODES = ((7, 5, 7), (9, 7, 9), (15, 9, 11), (21, 11, 15), (31, 15, 21), (61, 25, 31))
FIRST_NODES = _NODES[0]


@dataclass(frozen=True)
class Accuracy:
    """How exact the quadrature is to be."""

    tolerance: float  # By how much doubling the nodes may move the log-likelihood.
    # Nodes at which one stops in any case: of the shift, of each flight size, of the group's shift.
    most: Nodes


# The search and its profiles need differences, which are much more exact than values. Where the records do not
# distinguish the flights, more nodes would not help.
SEARCH = Accuracy(1e-2, (15, 9, 11))
VALUE = Accuracy(1e-4, _NODES[-1])
"""For the log-likelihood that is reported."""


def find_maximum(likelihood: Likelihood, box: Box, template: np.ndarray) -> tuple[Maximum, float]:
    """Maximise from the two best starts on few nodes, then from the better end on enough nodes."""
    likelihood.nodes = _START_NODES
    best: Maximum | None = None
    for start in starting_points(likelihood, box, template)[:2]:
        likelihood.forget()
        if not np.isfinite(likelihood(start, False)[0]):
            continue
        scale = first_scale(likelihood, start, box)
        found = maximise(likelihood, start, box, scale, tolerance=0.02, least_gain=0.1)
        if best is None or found.value > best.value:
            best = found
    if best is None:
        raise FitError(
            "the likelihood is not finite at any start: look at the heat sums (is the base range far too warm?) "
            "and at the counts."
        )
    likelihood.nodes, moved = enough_nodes(likelihood, best.theta, SEARCH)
    # With several flights the quadrature's own error is rough at the third digit of a slope.
    tolerance = 5e-4 if likelihood.flights == 1 else 1e-2
    factor = square_root(best.spread)
    best = maximise_off_bounds(likelihood, best.theta, box, factor, tolerance=tolerance)
    return in_order(likelihood, best, box, factor, tolerance=tolerance), moved


def enough_nodes(
    likelihood: Likelihood, theta: np.ndarray, accuracy: Accuracy, *, beyond: Nodes | None = None
) -> tuple[Nodes, float]:
    """Return the fewest nodes that are exact enough, and by how much doubling them moves the log-likelihood."""
    kept = likelihood.nodes
    kinds = [0, *([1] if likelihood.dims > 1 else [])]
    if likelihood.has_group and likelihood.crossed is None:
        kinds.append(2)
    for nodes in _NODES if beyond is None else _NODES[_NODES.index(beyond) + 1 :]:
        likelihood.nodes = nodes
        value = likelihood(theta, False)[0]
        moved = 0.0
        for kind in kinds:
            doubled = list(nodes)
            doubled[kind] *= 2
            likelihood.nodes = (doubled[0], doubled[1], doubled[2])
            moved += abs(likelihood(theta, False)[0] - value)
            if moved >= accuracy.tolerance and nodes != accuracy.most:
                break
        if moved < accuracy.tolerance or nodes == accuracy.most:
            break
    likelihood.nodes = kept
    return nodes, moved


def covariance_at(
    likelihood: Likelihood, maximum: Maximum, box: Box, step: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the inverse curvature over the free entries, and which of them are not at a bound."""
    free = np.flatnonzero(box.free)
    matrix = curvature(likelihood, maximum.theta, box, step)
    interior = ~box.at_edge(maximum.theta)[free]
    # An entry that the data do not inform (an SD near zero) has no curvature; it gets a wide, separate scale.
    unit_step = 50.0 * step[free]  # 1 for logarithms and the base, 25 °C-days for a requirement
    seen = interior & (np.diag(matrix) * unit_step**2 > 1e-3)
    scale = np.where(seen, np.sqrt(np.maximum(np.diag(matrix), 1e-12)), 1.0 / unit_step)
    unit = matrix / np.outer(scale, scale)
    unit[~seen, :] = 0.0
    unit[:, ~seen] = 0.0
    unit[~seen, ~seen] = 1.0
    values, vectors = np.linalg.eigh(0.5 * (unit + unit.T))
    inverse = (vectors / np.maximum(values, 1e-8)) @ vectors.T
    return inverse / np.outer(scale, scale), seen
