"""The maximum of the likelihood, on quadrature nodes whose error is measured, with the curvature there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from phenofit.errors import FitError
from phenofit.flight.estimate.collapse import without_collapsed
from phenofit.flight.estimate.flat_spread import maximise_off_bounds
from phenofit.flight.estimate.maximise import Box, Maximum, curvature, maximise
from phenofit.flight.estimate.starting_values import first_scale, starting_points
from phenofit.flight.intervals.profile import square_root
from phenofit.flight.likelihood.log_likelihood import Likelihood
from phenofit.flight.likelihood.quadrature import DEGREE_FIVE

Nodes = tuple[int, int, int]

_START_NODES = (5, DEGREE_FIVE, 5)
_NODES = ((7, 5, 7), (9, 7, 9), (15, 9, 11), (21, 11, 15), (31, 15, 21), (61, 25, 31))
# With flight sizes the search takes a rule whose nodes do not multiply with the flights; its error is removed
# afterwards.
_NODES_OF_SIZES = (7, DEGREE_FIVE, 7)
FIRST_NODES = _NODES[0]
_CORRECTIONS = 3  # most corrections of the nodes, each at the maximum found with the one before
_SETTLED = 1e-3  # gain after a correction below which the maximum has not moved
_MANY, _FEW = 2400, 800  # trap-years above which a search begins with some of them, and how many
_LEAST_GAIN = 1e-4  # least gain of an iteration with several flights: less does not move an estimate by a hundredth of its error


@dataclass(frozen=True)
class Accuracy:
    """The accuracy asked of the quadrature."""

    tolerance: float  # By how much doubling the nodes may move the log-likelihood.
    # Largest numbers of nodes: of the shift, of each flight size, of the group's shift.
    most: Nodes


# The search and its profiles need differences, which are much more exact than values.
SEARCH = Accuracy(1e-2, (15, 9, 11))
VALUE = Accuracy(1e-4, _NODES[-1])
"""For the log-likelihood that is reported."""

_LEAST_OF_SD = (
    0.05  # curvature of a log SD below which the data do not inform it (standard error of 4 logarithms)
)
_SMALLEST_EIGENVALUE = (
    1e-4  # least eigenvalue of the curvature in units of its diagonal: a correlation of 0.9999
)
_UNINFORMED_EIGENVALUE = 0.05

LARGEST_ERROR = 1e-2
"""Error of a reported log-likelihood (several flights, or crossed shifts) from which a problem reports it."""


def find_maximum(
    likelihood: Likelihood,
    box: Box,
    template: np.ndarray,
    near: Sequence[np.ndarray] = (),
    *,
    begin: Maximum | None = None,
    exact: bool = True,
) -> tuple[Maximum, Box, float]:
    """Maximise from the two best starts on few nodes, then from the better end on enough nodes.

    `near` holds vectors near which the maximum may lie; the best of them is then one of the starts. `begin` is
    where another search of the same free entries ended, with another curve or on fewer nodes: it takes the place of
    all starts. Returns the box too: the parameters of a collapsed flight are held in it. Where the value need not
    be exact, the error of the rule for flight sizes is left: some hundredths, nearly the same for models that are
    compared.
    """
    best = begin
    if best is None or not best.success or len(best.spread) != box.free.sum():
        best = _rough(likelihood, box, template, near)
    factor = square_root(best.spread)
    if likelihood.dims == 1:
        likelihood.nodes, moved = enough_nodes(likelihood, best.theta, SEARCH)
        return maximise_off_bounds(likelihood, best.theta, box, factor, tolerance=5e-4), box, moved
    likelihood.nodes = _NODES_OF_SIZES
    for _ in range(likelihood.flights):
        free = np.flatnonzero(box.free)
        box = without_collapsed(box, best.theta, likelihood.layout)
        kept = box.free[free]
        factor = square_root(best.spread[np.ix_(kept, kept)])
        best = _arrived(likelihood, best.theta, box, factor, tolerance=1e-2)
        if without_collapsed(box, best.theta, likelihood.layout) is box:
            break
    if not exact:
        return best, box, np.inf
    for _ in range(_CORRECTIONS):
        error = correct_nodes(likelihood, best.theta)
        before = likelihood(best.theta, False)[0]
        best = _arrived(likelihood, best.theta, box, square_root(best.spread), tolerance=2e-3)
        if best.value - before < _SETTLED:
            break
    return best, box, error


def _rough(likelihood: Likelihood, box: Box, template: np.ndarray, near: Sequence[np.ndarray]) -> Maximum:
    """Return the end of rough searches on few nodes, and on some of the sites where there are very many trap-years."""
    whole = likelihood.data.trap_years
    if whole > _MANY:
        likelihood = likelihood.of_some(_of_some_sites(likelihood.data.table["site"]))
    likelihood.nodes = _START_NODES
    best = _from_starts(likelihood, box, starting_points(likelihood, box, template, near))
    # More trap-years say more about everything but the SDs of what they share.
    shrink = np.full(len(best.theta), (likelihood.data.trap_years / whole) ** 0.5)
    at = likelihood.layout.places
    shrink[[at.group_sd, at.cross_sd]] = 1.0
    shrink = shrink[box.free]
    return replace(best, spread=best.spread * np.outer(shrink, shrink))


def _of_some_sites(site: pd.Series) -> np.ndarray:
    """Return which trap-years belong to sites drawn at random, always the same, until they have enough."""
    labels, counts = np.unique(site.astype(str), return_counts=True)
    order = np.random.default_rng(0).permutation(len(labels))
    enough = int(np.searchsorted(np.cumsum(counts[order]), _FEW)) + 1
    return np.asarray(site.astype(str).isin(labels[order[:enough]]))


def _arrived(
    likelihood: Likelihood, start: np.ndarray, box: Box, factor: np.ndarray, *, tolerance: float
) -> Maximum:
    """Return where a search ends; one that a poor scale has stopped continues with the curvature at its last point."""
    best = maximise_off_bounds(likelihood, start, box, factor, tolerance=tolerance, least_gain=_LEAST_GAIN)
    if best.success or not np.isfinite(best.value):
        return best
    factor = square_root(covariance_at(likelihood, best, box)[0])
    again = maximise_off_bounds(
        likelihood, best.theta, box, factor, tolerance=tolerance, least_gain=_LEAST_GAIN
    )
    # Far from where the error of the nodes was removed, a value that is not a maximum means nothing.
    return again if again.success else best


def _from_starts(likelihood: Likelihood, box: Box, starts: Sequence[np.ndarray]) -> Maximum:
    """Return the best end of rough searches from several starts."""
    best: Maximum | None = None
    for start in starts:
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
    return best


def correct_nodes(likelihood: Likelihood, theta: np.ndarray) -> float:
    """Remove the error of the rule for flight sizes about a vector, and return what is left of it."""
    shift, _, group = _NODES_OF_SIZES
    # A product of more nodes for five flights would take minutes.
    sizes = 7 if likelihood.dims <= 4 else 5
    # Each correction says by how much other nodes move the value; the last one stays.
    fewer_sizes = likelihood.correct(theta, (shift + 2, sizes - 2, group + 2))
    doubled = likelihood.correct(theta, (2 * shift, DEGREE_FIVE, 2 * group))
    as_many = likelihood.correct(theta, (shift + 2, DEGREE_FIVE, group + 2))
    moved = likelihood.correct(theta, (shift + 2, sizes, group + 2))
    return abs(moved - fewer_sizes) + abs(doubled - as_many)


def enough_nodes(
    likelihood: Likelihood, theta: np.ndarray, accuracy: Accuracy, *, beyond: Nodes | None = None
) -> tuple[Nodes, float]:
    """Return the fewest nodes that are exact enough, and by how much doubling them moves the log-likelihood."""
    kept = likelihood.nodes
    kinds = [0]
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


def covariance_at(likelihood: Likelihood, maximum: Maximum, box: Box) -> tuple[np.ndarray, np.ndarray]:
    """Return the inverse curvature over the free entries, and which of them are not at a bound."""
    free = np.flatnonzero(box.free)
    step = likelihood.coordinates.keeping(box.direct).steps()
    matrix = curvature(likelihood, maximum.theta, box)
    interior = ~box.at_edge(maximum.theta)[free]
    # An entry that the data do not inform (an SD near zero) has no curvature; it gets a wide, separate scale.
    unit_step = 50.0 * step[free]  # 1 for logarithms, days and the base, 25 °C-days for a requirement
    least = np.array([_LEAST_OF_SD if likelihood.layout.entries[k].parameter.is_sd else 1e-3 for k in free])
    seen = interior & (np.diag(matrix) * unit_step**2 > least)
    scale = np.where(seen, np.sqrt(np.maximum(np.diag(matrix), 1e-12)), 1.0 / unit_step)
    unit = matrix / np.outer(scale, scale)
    unit[~seen, :] = 0.0
    unit[:, ~seen] = 0.0
    unit[~seen, ~seen] = 1.0
    values, vectors = np.linalg.eigh(0.5 * (unit + unit.T))
    # At a maximum all are above zero, and near 1 in nearly orthogonal coordinates: what is below is not informed.
    sound = np.where(
        values > _SMALLEST_EIGENVALUE, values, np.maximum(np.abs(values), _UNINFORMED_EIGENVALUE)
    )
    inverse = (vectors / sound) @ vectors.T
    return inverse / np.outer(scale, scale), seen
