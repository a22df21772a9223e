"""Kriging of site values that carry their own standard errors.

A site value is ``y_i = f_i' beta + Z(x_i) + m_i + e_i``: a mean that may drift, a smooth field ``Z`` with a
covariance that falls with distance, a local part ``m_i`` that belongs to the site alone (the nugget), and a
sampling error ``e_i`` of known variance. What is mapped is ``f' beta + Z``, the smooth part; the local part of a
place without a trap cannot be known and goes into the error of a single place.

The equations are solved in blocks with LAPACK.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg import cholesky, solve_triangular
from scipy.spatial import cKDTree
from scipy.spatial.distance import cdist

from phenofit.errors import ModelError

# Up to this many sites every cell sees every site; beyond it a tile of cells sees its nearest ones.
_ALL_SITES = 400
_NEIGHBOURS = 200
_CHUNK = 8192


@dataclass(frozen=True)
class SiteData:
    """Places, values and errors of the sites."""

    points: np.ndarray  # Shape (n, 2): Places [m].
    values: np.ndarray  # Shape (n,): Mean errors [days].
    variances: np.ndarray  # Shape (n,): Sampling variances of the values [days²].
    design: np.ndarray  # Shape (n, p): Columns of the mean: ones, then drift columns.

    def subset(self, index: np.ndarray) -> SiteData:
        """Return the data of some of the sites."""
        return SiteData(self.points[index], self.values[index], self.variances[index], self.design[index])


def _spherical(h: np.ndarray) -> np.ndarray:
    near = np.minimum(h, 1.0)
    return np.asarray(1.0 - 1.5 * near + 0.5 * near**3)


# Correlation at a distance in length scales. The Gaussian factor makes its integral scale equal to the length.
COVARIANCES: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "exponential": lambda h: np.exp(-h),
    "spherical": _spherical,
    "gaussian": lambda h: np.exp(-np.pi / 4.0 * h**2),
}


def correlation(name: str, length: float) -> Callable[[np.ndarray], np.ndarray]:
    """Return the correlation as a function of distance [m]."""
    if name not in COVARIANCES:
        raise ModelError(f"'{name}' is no covariance; accepted are {', '.join(COVARIANCES)}.")
    return lambda distance: COVARIANCES[name](np.asarray(distance) / length)


@dataclass(frozen=True)
class Kriging:
    """A spatial model with its parameters, ready to predict."""

    data: SiteData  # The sites.
    covariance: str  # Name of the covariance.
    length: float  # Length scale [m].
    sill: float  # Variance of the smooth field [days²].
    nugget: float  # Variance of the local part [days²].

    def predict(self, points: np.ndarray, design: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Predict the smooth part and its variance."""
        mean, variance = np.empty(len(points)), np.empty(len(points))
        if len(self.data.values) <= _ALL_SITES:
            solver = self.solver()
            for begin in range(0, len(points), _CHUNK):
                part = slice(begin, begin + _CHUNK)
                mean[part], variance[part] = solver.predict(points[part], design[part])
            return mean, variance
        beta, beta_covariance = self.mean_coefficients()
        tree = cKDTree(self.data.points)
        waiting = [np.arange(len(points))]
        while waiting:
            tile = waiting.pop()
            middle = points[tile].mean(axis=0)
            distance, near = (np.atleast_1d(v) for v in tree.query(middle, k=_NEIGHBOURS))
            reach = float(np.hypot(*(points[tile] - middle).T).max())
            # A tile must be small compared with its neighbourhood, or the sites around its corners are not in it.
            if len(tile) > 1 and (reach > 0.3 * distance[-1] or len(tile) > _CHUNK):
                waiting += [tile[part] for part in tiles(points[tile], -(-len(tile) // 2))]
                continue
            local = Solver(self, self.data.subset(np.sort(near)), beta, beta_covariance)
            mean[tile], variance[tile] = local.predict(points[tile], design[tile])
        return mean, variance

    def dispersion(self) -> float:
        """Return the variance of the smooth part between places of the region [days²]."""
        points = self.data.points[:: max(1, len(self.data.points) // 500)]
        between = correlation(self.covariance, self.length)(cdist(points, points))
        n = len(points)
        return float(self.sill * (1.0 - (between.sum() - n) / (n * (n - 1)))) if n > 1 else self.sill

    def solver(self) -> Solver:
        """Return the solved system of all sites."""
        return Solver(self, self.data)

    def mean_coefficients(self) -> tuple[np.ndarray, np.ndarray]:
        """Return the mean's coefficients and their covariance from blocks of neighbouring sites."""
        p = self.data.design.shape[1]
        information, score = np.zeros((p, p)), np.zeros(p)
        for index in tiles(self.data.points, _ALL_SITES):
            block = Solver(self, self.data.subset(index))
            information += block.whitened_design.T @ block.whitened_design
            score += block.whitened_design.T @ block.whitened_values
        covariance = np.linalg.inv(information)
        return covariance @ score, covariance

    def left_out(self) -> tuple[np.ndarray, np.ndarray]:
        """Predict every site from the others, the parameters held.

        Dubrule (1983), Mathematical Geology 15, 687-699 (all leave-one-out predictions from one inverse).
        """
        mean, variance = np.empty(len(self.data.values)), np.empty(len(self.data.values))
        for index in tiles(self.data.points, _ALL_SITES):
            block = self.data.subset(index)
            n, p = block.design.shape
            system = np.zeros((n + p, n + p))
            system[:n, :n] = self.site_covariance(block)
            system[:n, n:], system[n:, :n] = block.design, block.design.T
            inverse = np.linalg.inv(system)[:n, :n]
            variance[index] = 1.0 / np.diag(inverse)
            mean[index] = block.values - (inverse @ block.values) * variance[index]
        return mean, variance

    def site_covariance(self, data: SiteData) -> np.ndarray:
        """Return the covariance matrix of the site values [days²]."""
        smooth = self.sill * correlation(self.covariance, self.length)(cdist(data.points, data.points))
        return np.asarray(smooth + np.diag(data.variances + self.nugget))


class Solver:
    """The kriging equations of one set of sites, factored once."""

    def __init__(
        self,
        model: Kriging,
        data: SiteData,
        beta: np.ndarray | None = None,
        beta_covariance: np.ndarray | None = None,
    ) -> None:
        self.model, self.data = model, data
        self.correlation = correlation(model.covariance, model.length)
        self.factor = cholesky(model.site_covariance(data), lower=True)
        self.whitened_design = solve_triangular(self.factor, data.design, lower=True)
        self.whitened_values = solve_triangular(self.factor, data.values, lower=True)
        if beta is None or beta_covariance is None:
            beta_covariance = np.linalg.inv(self.whitened_design.T @ self.whitened_design)
            beta = beta_covariance @ self.whitened_design.T @ self.whitened_values
        self.beta, self.beta_covariance = beta, beta_covariance
        self.weights = self.whitened_values - self.whitened_design @ beta

    def cross(self, points: np.ndarray) -> np.ndarray:
        """Return the covariance of the smooth part between sites and places [days²]."""
        return np.asarray(self.model.sill * self.correlation(cdist(self.data.points, points)))

    def predict(self, points: np.ndarray, design: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Predict the smooth part [days] and its variance [days²] at places."""
        whitened, rest = self._whitened(points, design)
        mean = design @ self.beta + whitened.T @ self.weights
        variance = (
            self.model.sill
            - np.einsum("ij,ij->j", whitened, whitened)
            + np.einsum("ij,jk,ik->i", rest, self.beta_covariance, rest)
        )
        return mean, np.maximum(variance, 0.0)

    def posterior(self, points: np.ndarray, design: np.ndarray) -> np.ndarray:
        """Return the covariance of the prediction errors between places, shape (m, m) [days²]."""
        return self.cross_posterior(points, design, points, design)

    def cross_posterior(
        self, points: np.ndarray, design: np.ndarray, others: np.ndarray, other_design: np.ndarray
    ) -> np.ndarray:
        """Return the covariance of the prediction errors of places and other places, shape (m, k) [days²]."""
        prior = self.model.sill * self.correlation(cdist(points, others))
        whitened, rest = self._whitened(points, design)
        other_whitened, other_rest = self._whitened(others, other_design)
        return np.asarray(prior - whitened.T @ other_whitened + rest @ self.beta_covariance @ other_rest.T)

    def _whitened(self, points: np.ndarray, design: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        whitened = solve_triangular(self.factor, self.cross(points), lower=True, check_finite=False)
        return whitened, design - whitened.T @ self.whitened_design


def tiles(points: np.ndarray, size: int) -> list[np.ndarray]:
    """Cut points into compact groups of at most `size`, halving the longer side each time."""
    waiting, done = [np.arange(len(points))], []
    while waiting:
        index = waiting.pop()
        if len(index) <= size:
            done.append(np.sort(index))
            continue
        axis = int(np.argmax(np.ptp(points[index], axis=0)))
        order = index[np.argsort(points[index, axis], kind="stable")]
        waiting += [order[: len(order) // 2], order[len(order) // 2 :]]
    return done
