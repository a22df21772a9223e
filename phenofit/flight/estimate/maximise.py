"""Finding the maximum: a search box, a well-scaled start, and the curvature there."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from scipy.optimize import OptimizeResult, minimize

from phenofit.flight.likelihood.log_likelihood import Layout, Likelihood


@dataclass(frozen=True)
class Box:
    """Search range of each entry of the parameter vector, and which are held."""

    low: np.ndarray  # Bounds.
    high: np.ndarray
    free: np.ndarray  # Entries that are fitted.

    @classmethod
    def of(cls, layout: Layout, base_range: tuple[float, float], heat_range: float) -> Box:
        """Return the default box, everything free."""
        low, high = np.array([entry.parameter.bounds for entry in layout.entries]).T.copy()
        at = layout.places
        low[at.base], high[at.base] = base_range
        high[at.requirement : at.spread] = heat_range
        return cls(low, high, np.ones(layout.size, dtype=bool))

    def hold(self, index: int) -> Box:
        """Return the box with one more entry held."""
        free = self.free.copy()
        free[index] = False
        return Box(self.low, self.high, free)

    def inside(self, theta: np.ndarray) -> np.ndarray:
        """Return the nearest vector inside."""
        return np.asarray(np.clip(theta, self.low, self.high))

    def at_edge(self, theta: np.ndarray) -> np.ndarray:
        """Return which entries stand at a bound (within a thousandth of a unit)."""
        return (theta <= self.low + 1e-3) | (theta >= self.high - 1e-3)


@dataclass(frozen=True)
class Maximum:
    """Where a search ended."""

    theta: np.ndarray  # Parameter vector.
    value: float  # Log-likelihood.
    gradient: np.ndarray  # Its slopes.
    success: bool  # Whether the slopes, scaled, are zero within tolerance.
    message: str  # What the search said.
    # Shape (free, free): The search's own estimate of the inverse curvature over the free entries; rough.
    spread: np.ndarray


def maximise(
    likelihood: Likelihood,
    start: np.ndarray,
    box: Box,
    factor: np.ndarray,
    *,
    tolerance: float = 2e-3,
    limit: int = 200,
    least_gain: float = 0.0,
) -> Maximum:
    """Maximise over the free entries from a start."""
    free = np.flatnonzero(box.free)
    origin = box.inside(start)
    if free.size == 0:
        value, slope = likelihood(origin)
        sound = bool(np.isfinite(value))
        return Maximum(origin, float(value), slope, sound, "nothing is fitted", np.zeros((0, 0)))
    best_value, best_theta, best_slope = -np.inf, origin, np.zeros_like(origin)

    def objective(y: np.ndarray) -> tuple[float, np.ndarray]:
        nonlocal best_value, best_theta, best_slope
        raw = origin.copy()
        raw[free] += factor @ y
        theta = box.inside(raw)
        value, slope = likelihood(theta)
        if not np.isfinite(value):
            return 1e10, np.zeros_like(y)
        if value > best_value:
            best_value, best_theta, best_slope = value, theta, slope
        inward = slope.copy()
        inward[(raw < box.low) & (slope < 0)] = 0.0
        inward[(raw > box.high) & (slope > 0)] = 0.0
        return -value, -(factor.T @ inward[free])

    last = -np.inf

    def near_enough(intermediate_result: OptimizeResult) -> None:
        nonlocal last
        value = -float(intermediate_result.fun)
        if value - last < least_gain:
            raise StopIteration
        last = value

    with warnings.catch_warnings():
        # A line search that rounding stops is judged below, by the slopes where it stopped.
        warnings.filterwarnings("ignore", message="The line search algorithm", category=RuntimeWarning)
        answer = minimize(
            objective,
            np.zeros(len(free)),
            jac=True,
            method="BFGS",
            callback=near_enough,
            options={"gtol": tolerance, "maxiter": limit},
        )
    slope = best_slope.copy()
    slope[(best_theta <= box.low) & (slope < 0)] = 0.0
    slope[(best_theta >= box.high) & (slope > 0)] = 0.0
    flat = float(np.max(np.abs(factor.T @ slope[free]), initial=0.0))
    # Rounding of the quadrature may stop the line search a little early; convergence is judged by the slope.
    success = bool(np.isfinite(best_value) and flat < 20 * tolerance)
    spread = factor @ np.asarray(answer.hess_inv) @ factor.T
    return Maximum(best_theta, float(best_value), best_slope, success, str(answer.message), spread)


def curvature(likelihood: Likelihood, theta: np.ndarray, box: Box, step: np.ndarray) -> np.ndarray:
    """Return minus the second derivatives of the log-likelihood over the free entries."""
    free = np.flatnonzero(box.free)
    matrix = np.empty((len(free), len(free)))
    for a, k in enumerate(free):
        up, down = theta.copy(), theta.copy()
        up[k], down[k] = min(theta[k] + step[k], box.high[k]), max(theta[k] - step[k], box.low[k])
        width = up[k] - down[k]
        matrix[a] = (likelihood(down)[1][free] - likelihood(up)[1][free]) / width
    return 0.5 * (matrix + matrix.T)
