"""A spread that rests where it makes no difference is tried elsewhere: on its logarithm the slope tells nothing there."""

from __future__ import annotations

import math

import numpy as np

from phenofit.flight.estimate.maximise import Box, Maximum, maximise
from phenofit.flight.likelihood.log_likelihood import Likelihood
from phenofit.flight.likelihood.parameters import Parameter

# Below the first a shift SD [degC d] or SD of log sizes makes next to no difference, and above it a concentration;
# the others are tried then.
_TRIED = {"shift": (2.5, 5.0, 15.0), "size": (0.05, 0.1, 0.3), "concentration": (300.0, 60.0, 8.0)}
_LEAST_GAIN = 1e-3


def lifted(
    likelihood: Likelihood,
    found: Maximum,
    box: Box,
    factor: np.ndarray,
    *,
    tolerance: float,
    limit: int,
) -> Maximum:
    """Climb again with every spread that rests near its bound moved away from it, where that is likelier."""
    best = found
    for place, tried in _resting(likelihood, found.theta, box):
        start = _likelier(likelihood, best.theta, best.value, best.gradient, place, tried)
        if start is None:
            continue
        again = maximise(likelihood, start, box, factor, tolerance=tolerance, limit=limit)
        if again.value > best.value:
            best = again
    return best


def lifted_start(likelihood: Likelihood, start: np.ndarray, box: Box) -> np.ndarray:
    """Return a start whose spreads do not rest near their bounds where the likelihood is higher away from them."""
    resting = _resting(likelihood, start, box)
    if not resting:
        return start
    theta = start
    value, gradient = likelihood(theta)
    for place, tried in resting:
        better = _likelier(likelihood, theta, value, gradient, place, tried)
        if better is not None:
            theta = better
            value, gradient = likelihood(theta)
    return theta


def _resting(likelihood: Likelihood, theta: np.ndarray, box: Box) -> list[tuple[int, tuple[float, ...]]]:
    # Free spreads so near to their bound that they make no difference, and what to try.
    found = []
    for place, entry in enumerate(likelihood.layout.entries):
        tried = _tried(entry.parameter)
        if tried and box.free[place] and math.exp(theta[place]) * _side(tried) <= tried[0] * _side(tried):
            found.append((place, tried))
    return found


def _likelier(
    likelihood: Likelihood,
    theta: np.ndarray,
    value: float,
    gradient: np.ndarray,
    place: int,
    tried: tuple[float, ...],
) -> np.ndarray | None:
    if gradient[place] * _side(tried) <= 0.0:
        # However small, the slope says that there is nothing to be had by leaving the bound.
        return None
    top, best = value + _LEAST_GAIN, None
    for other in tried[1:]:
        moved = theta.copy()
        moved[place] = math.log(other)
        here = likelihood(moved, False)[0]
        if here > top:
            top, best = here, moved
    return best


def _tried(parameter: Parameter) -> tuple[float, ...]:
    if parameter.is_sd:
        return _TRIED["shift" if parameter.on_heat_scale else "size"]
    return _TRIED.get(parameter.name, ())


def _side(tried: tuple[float, ...]) -> float:
    """Return 1 where what makes no difference lies below the first value, -1 where it lies above."""
    return 1.0 if tried[0] < tried[1] else -1.0
