"""Flights are numbered in order of time: a search that ended with them in another order is continued in order."""

from __future__ import annotations

import numpy as np

from phenofit.errors import FitError
from phenofit.flight.estimate.maximise import Box, Maximum, maximise
from phenofit.flight.likelihood.log_likelihood import Likelihood


def in_order(
    likelihood: Likelihood, found: Maximum, box: Box, factor: np.ndarray, *, tolerance: float
) -> Maximum:
    """Return the maximum with its flights numbered by their requirements."""
    order = np.argsort(_requirements(likelihood, found.theta), kind="stable")
    entries = likelihood.layout.entries
    held = any(not box.free[k] for k, entry in enumerate(entries) if entry.parameter.first_flight)
    if held or np.array_equal(order, np.arange(likelihood.flights)):
        return found
    start = box.inside(_renumbered(likelihood, found.theta, order))
    return maximise(likelihood, start, box, factor, tolerance=tolerance)


def require_order(likelihood: Likelihood, theta: np.ndarray) -> None:
    """Refuse a fit whose flights are not in order of time."""
    found = _requirements(likelihood, theta)
    if (np.diff(found) < 0.0).any():
        words = ", ".join(f"flight {g} at {value:.0f}" for g, value in enumerate(found, start=1))
        raise FitError(
            f"the flights are not in order of time: half of {words} °C-days. Fit fewer flights, or hold the "
            "parameters of the flight to which they belong."
        )


def _requirements(likelihood: Likelihood, theta: np.ndarray) -> np.ndarray:
    at = likelihood.layout.places
    return theta[at.requirement : at.spread]


def _renumbered(likelihood: Likelihood, theta: np.ndarray, order: np.ndarray) -> np.ndarray:
    at = likelihood.layout.places
    new = theta.copy()
    for block in (slice(at.requirement, at.spread), slice(at.spread, at.concentration)):
        new[block] = theta[block][order]
    # Sizes are logarithms against flight 1, whose own is 0 and has no SD.
    size = np.concatenate([[0.0], theta[at.size : at.size_sd]])[order]
    new[at.size : at.size_sd] = size[1:] - size[0]
    deviation = theta[at.size_sd : at.stray]
    first = deviation[order[0] - 1 if order[0] else 0]
    new[at.size_sd : at.stray] = np.concatenate([[first], deviation])[order[1:]]
    return new
