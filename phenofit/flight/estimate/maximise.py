"""Finding the maximum: a search box, a well-scaled start, and the curvature there."""

from __future__ import annotations

import threading
import warnings
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import OptimizeResult, minimize

from phenofit.flight.likelihood.log_likelihood import Layout, Likelihood

_PROMISED = 2e-3  # gain in the log-likelihood that is ignored: far less than any interval resolves
_LEVELLING = 4  # steps by slopes alone, and by how much the value may fall on them: the error of few nodes
_FALL = 0.3


@dataclass(frozen=True)
class Box:
    """Search range of each entry of the parameter vector, and which are held."""

    low: np.ndarray  # Bounds.
    high: np.ndarray
    free: np.ndarray  # Entries that are fitted.
    in_days: frozenset[int] = (
        frozenset()
    )  # Held entries that keep their place in days, not on the heat scale.

    @classmethod
    def of(cls, layout: Layout, base_range: tuple[float, float], heat_range: float) -> Box:
        """Return the default box, everything free."""
        low, high = np.array([entry.parameter.bounds for entry in layout.entries]).T.copy()
        at = layout.places
        low[at.base], high[at.base] = base_range
        high[at.requirement : at.spread] = heat_range
        return cls(low, high, np.ones(layout.size, dtype=bool))

    @property
    def direct(self) -> list[int]:
        """Held entries that keep their value on the scale of the likelihood."""
        return [int(k) for k in np.flatnonzero(~self.free) if k not in self.in_days]

    def hold(self, index: int, *, in_days: bool = False) -> Box:
        """Return the box with one more entry held."""
        free = self.free.copy()
        free[index] = False
        return Box(self.low, self.high, free, self.in_days | {index} if in_days else self.in_days)

    def inside(self, theta: np.ndarray) -> np.ndarray:
        """Return the nearest vector inside."""
        return np.asarray(np.clip(theta, self.low, self.high))

    def at_edge(self, theta: np.ndarray) -> np.ndarray:
        """Return which entries are at a bound (within a thousandth of a unit)."""
        return (theta <= self.low + 1e-3) | (theta >= self.high - 1e-3)


@dataclass(frozen=True)
class Maximum:
    """Where a search ended."""

    theta: np.ndarray  # Parameter vector.
    value: float  # Log-likelihood.
    gradient: np.ndarray  # Its slopes.
    success: bool  # Whether the slopes, scaled, are zero within tolerance.
    message: str  # Message of the search.
    # Shape (free, free): The search's own estimate of the inverse curvature over the free entries, in the
    # coordinates of the likelihood; rough.
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
    """Maximise over the free entries from a start, in the coordinates of the likelihood; what is held keeps its value."""
    free = np.flatnonzero(box.free)
    begin = box.inside(start)
    if free.size == 0:
        value, slope = likelihood(begin)
        sound = bool(np.isfinite(value))
        return Maximum(begin, float(value), slope, sound, "nothing is fitted", np.zeros((0, 0)))
    coordinates = likelihood.coordinates.keeping(box.direct)
    origin = coordinates.searched(begin)
    base = likelihood.layout.places.base
    outside = _Point(np.zeros(len(free)), begin, -np.inf, np.zeros_like(begin), np.zeros(len(free)))
    best = outside

    def evaluated(y: np.ndarray) -> _Point:
        z = origin.copy()
        z[free] += factor @ y
        beyond = z[base] <= box.low[base], z[base] >= box.high[base]
        z[base] = min(max(z[base], box.low[base]), box.high[base])
        raw = coordinates.vector(z)
        theta = box.inside(raw)
        value, slope = likelihood(theta)
        if not np.isfinite(value):
            return outside
        inward = slope.copy()
        inward[(raw <= box.low) & (slope < 0)] = 0.0
        inward[(raw >= box.high) & (slope > 0)] = 0.0
        pulled = coordinates.pulled(z, inward)
        if (beyond[0] and pulled[base] < 0) or (beyond[1] and pulled[base] > 0):
            pulled[base] = 0.0
        return _Point(y.copy(), theta, float(value), slope, factor.T @ pulled[free])

    def objective(y: np.ndarray) -> tuple[float, np.ndarray]:
        nonlocal best
        point = evaluated(y)
        if point is outside:
            return 1e10, np.zeros_like(y)
        if point.value > best.value:
            best = point
        return -point.value, -point.scaled

    last = -np.inf

    def near_enough(intermediate_result: OptimizeResult) -> None:
        nonlocal last
        value = -float(intermediate_result.fun)
        if value - last < least_gain:
            raise StopIteration
        last = value

    with _line_search_warnings_ignored:
        answer = minimize(
            objective,
            np.zeros(len(free)),
            jac=True,
            method="BFGS",
            callback=near_enough,
            options={"gtol": tolerance, "maxiter": limit},
        )
    inverse = np.asarray(answer.hess_inv)
    end, inverse = _levelled(evaluated, best, inverse, 20 * tolerance)
    success = bool(np.isfinite(end.value)) and end.arrived(inverse, 20 * tolerance)
    spread = factor @ inverse @ factor.T
    return Maximum(end.theta, end.value, end.slope, success, str(answer.message), spread)


class _LineSearchWarningsIgnored:
    """Ignore what the line search warns of: the slopes where it stopped are judged instead.

    Filters of warnings belong to the process. The first of the threads that search sets the filter, the last one takes
    it away.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._inside = 0
        self._before = warnings.catch_warnings()

    def __enter__(self) -> None:
        with self._lock:
            if self._inside == 0:
                self._before = warnings.catch_warnings()
                self._before.__enter__()
                message = "The line search algorithm"
                warnings.filterwarnings("ignore", message=message, category=RuntimeWarning)
            self._inside += 1

    def __exit__(self, *_: object) -> None:
        with self._lock:
            self._inside -= 1
            if self._inside == 0:
                self._before.__exit__(None, None, None)


_line_search_warnings_ignored = _LineSearchWarningsIgnored()


@dataclass(frozen=True)
class _Point:
    """Where the likelihood was computed."""

    y: np.ndarray  # In units of the scale of the search, from its start.
    theta: np.ndarray
    value: float
    slope: np.ndarray
    scaled: np.ndarray  # Slope in `y`; zero where it points out of the box.

    def arrived(self, inverse: np.ndarray, flat: float) -> bool:
        """Return whether the slope is zero within `flat`, or hardly promises a gain."""
        steepest = float(np.max(np.abs(self.scaled), initial=0.0))
        return steepest < flat or 0.5 * float(self.scaled @ inverse @ self.scaled) < _PROMISED


def _levelled(
    evaluated: Callable[[np.ndarray], _Point], point: _Point, inverse: np.ndarray, flat: float
) -> tuple[_Point, np.ndarray]:
    """Follow the slope alone to where it is zero, by quasi-Newton steps.

    The slope is exact for the integral (Fisher's identity), the value has the error of the nodes. With few nodes for
    flight sizes the two have their zero and their maximum at different places, and a line search by values stops early.
    """
    lowest = point.value - _FALL
    for _ in range(_LEVELLING):
        if not np.isfinite(point.value) or point.arrived(inverse, flat):
            break
        step = inverse @ point.scaled
        step *= min(1.0, 1.0 / max(float(np.linalg.norm(step)), 1e-12))
        tried = evaluated(point.y + step)
        if tried.value < lowest:
            break
        change = point.scaled - tried.scaled
        along = float(change @ step)
        if along > 0.0:  # the update of Broyden, Fletcher, Goldfarb and Shanno
            turn = np.eye(len(step)) - np.outer(step, change) / along
            inverse = turn @ inverse @ turn.T + np.outer(step, step) / along
        else:
            inverse = 0.5 * inverse
        if np.linalg.norm(tried.scaled) < np.linalg.norm(point.scaled):
            point = tried
    return point, inverse


def curvature(
    likelihood: Likelihood, theta: np.ndarray, box: Box, steps: np.ndarray | None = None
) -> np.ndarray:
    """Return minus the second derivatives of the log-likelihood over the free entries, in its coordinates."""
    free = np.flatnonzero(box.free)
    coordinates = likelihood.coordinates.keeping(box.direct)
    steps = coordinates.steps() if steps is None else steps
    origin = coordinates.searched(theta)
    matrix = np.empty((len(free), len(free)))
    for a, k in enumerate(free):
        ends, slopes = [], []
        for sign in (-1.0, 1.0):
            z = origin.copy()
            z[k] += sign * steps[k]
            moved = box.inside(coordinates.vector(z))
            z = coordinates.searched(moved)
            ends.append(z[k])
            slopes.append(coordinates.pulled(z, likelihood(moved)[1])[free])
        matrix[a] = (slopes[0] - slopes[1]) / (ends[1] - ends[0])
    return 0.5 * (matrix + matrix.T)
