"""Where one more trap would reduce the error of the map most."""

from __future__ import annotations

import numpy as np

from phenofit.maps.kriging.ordinary import Kriging, Solver, tiles

_TARGETS = 600
_CANDIDATES = 20_000
_CHUNK = 4096


def next_trap_gain(
    model: Kriging, points: np.ndarray, design: np.ndarray, *, variance: float
) -> tuple[np.ndarray, float]:
    """Return by how much the mean kriging variance of a region falls with one more trap, for each place."""
    target, size = _spread(points, _TARGETS)
    solver = _solver(model, points)
    share = np.bincount(size) / len(size)
    before = float(share @ solver.posterior(points[target], design[target]).diagonal())
    candidate, member = _spread(points, _CANDIDATES)
    gain = np.empty(len(candidate))
    for begin in range(0, len(candidate), _CHUNK):
        part = candidate[begin : begin + _CHUNK]
        cross = solver.cross_posterior(points[target], design[target], points[part], design[part])
        own = solver.predict(points[part], design[part])[1]
        gain[begin : begin + _CHUNK] = share @ cross**2 / (own + model.nugget + variance)
    return gain[member], before


def _spread(points: np.ndarray, most: int) -> tuple[np.ndarray, np.ndarray]:
    """Pick about `most` of the points, evenly, and give each point the number of the pick that represents it."""
    groups = tiles(points, max(1, int(np.ceil(len(points) / most))))
    member = np.empty(len(points), dtype=np.int64)
    for number, index in enumerate(groups):
        member[index] = number
    return np.array([index[len(index) // 2] for index in groups]), member


def _solver(model: Kriging, points: np.ndarray) -> Solver:
    # Only the sites near the region: a few thousand elsewhere would cost memory and change nothing.
    if len(model.data.values) <= 1000:
        return model.solver()
    centre = points.mean(axis=0)
    reach = float(np.hypot(*np.ptp(points, axis=0))) / 2.0 + 3.0 * model.length
    near = np.flatnonzero(np.hypot(*(model.data.points - centre).T) <= reach)
    if len(near) > 1000:
        near = np.array(
            [index[len(index) // 2] for index in tiles(model.data.points[near], -(-len(near) // 1000))]
        )
    beta, covariance = model.mean_coefficients()
    return Solver(model, model.data.subset(near), beta, covariance)
