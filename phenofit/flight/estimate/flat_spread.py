"""Shift SDs and concentrations near a bound, where the slope on the log scale vanishes, tried at other values."""

from __future__ import annotations

import math

import numpy as np

from phenofit.flight.estimate.maximise import Box, Maximum, maximise
from phenofit.flight.likelihood.log_likelihood import Likelihood
from phenofit.flight.likelihood.parameters import Parameter

# Below the first a shift SD [degC d] or SD of log sizes hardly changes the likelihood, and above it a concentration;
# the other values are tried then.
_TRIED = {"shift": (2.5, 5.0, 15.0), "size": (0.05, 0.1, 0.3), "concentration": (300.0, 60.0, 8.0)}
_LEAST_GAIN = 1e-3


def maximise_off_bounds(
    likelihood: Likelihood,
    start: np.ndarray,
    box: Box,
    factor: np.ndarray,
    *,
    tolerance: float,
    limit: int = 200,
    least_gain: float = 0.0,
) -> Maximum:
    """Maximise; where the likelihood is higher with SDs or concentrations moved off their bounds, maximise again from there."""
    best = maximise(likelihood, start, box, factor, tolerance=tolerance, limit=limit, least_gain=least_gain)
    for index, tried in _near_bounds(likelihood, best.theta, box):
        moved = _higher(likelihood, best.theta, best.value, best.gradient, index, tried)
        if moved is None:
            continue
        again = maximise(
            likelihood, moved, box, factor, tolerance=tolerance, limit=limit, least_gain=least_gain
        )
        if again.value > best.value:
            best = again
    return best


def start_off_bounds(likelihood: Likelihood, start: np.ndarray, box: Box) -> np.ndarray:
    """Return a start with each SD or concentration moved off its bound where the likelihood is higher there."""
    near = _near_bounds(likelihood, start, box)
    if not near:
        return start
    theta = start
    value, gradient = likelihood(theta)
    for index, tried in near:
        better = _higher(likelihood, theta, value, gradient, index, tried)
        if better is not None:
            theta = better
            value, gradient = likelihood(theta)
    return theta


def _near_bounds(likelihood: Likelihood, theta: np.ndarray, box: Box) -> list[tuple[int, tuple[float, ...]]]:
    # Free SDs and concentrations so near to their bound that they hardly change the likelihood, and what to try.
    found = []
    for index, entry in enumerate(likelihood.layout.entries):
        tried = _tried(entry.parameter)
        if tried and box.free[index] and math.exp(theta[index]) * _side(tried) <= tried[0] * _side(tried):
            found.append((index, tried))
    return found


def _higher(
    likelihood: Likelihood,
    theta: np.ndarray,
    value: float,
    gradient: np.ndarray,
    index: int,
    tried: tuple[float, ...],
) -> np.ndarray | None:
    if gradient[index] * _side(tried) <= 0.0:
        # The slope, however small, shows that the likelihood falls away from the bound.
        return None
    highest, best = value + _LEAST_GAIN, None
    for other in tried[1:]:
        moved = theta.copy()
        moved[index] = math.log(other)
        here = likelihood(moved, False)[0]
        if here > highest:
            highest, best = here, moved
    return best


def _tried(parameter: Parameter) -> tuple[float, ...]:
    if parameter.is_sd:
        return _TRIED["shift" if parameter.on_heat_scale else "size"]
    return _TRIED.get(parameter.name, ())


def _side(tried: tuple[float, ...]) -> float:
    """Return 1 where values below the first hardly change the likelihood, -1 where values above it do not."""
    return 1.0 if tried[0] < tried[1] else -1.0
