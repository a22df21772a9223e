"""Flights are numbered in order of time: a search that ended with them in another order is continued in order."""

from __future__ import annotations

import numpy as np

from phenofit.errors import FitError
from phenofit.flight.estimate.maximise import Box, Maximum, maximise
from phenofit.flight.likelihood.log_likelihood import Likelihood

__all__ = ["in_order", "require_order"]


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
    return theta[[likelihood.layout.index(f"requirement_{g + 1}") for g in range(likelihood.flights)]]


def _renumbered(likelihood: Likelihood, theta: np.ndarray, order: np.ndarray) -> np.ndarray:
    index, flights = likelihood.layout.index, range(1, likelihood.flights + 1)
    new = theta.copy()
    for kind in ("requirement", "log spread"):
        old = [theta[index(f"{kind}_{g}")] for g in flights]
        for g in flights:
            new[index(f"{kind}_{g}")] = old[order[g - 1]]
    # Sizes are logarithms against flight 1, whose own is 0 and has no SD.
    size = [0.0, *(theta[index(f"size_{g}")] for g in flights[1:])]
    deviation = [theta[index(f"log size_sd_{g}")] for g in flights[1:]]
    deviation = [deviation[order[0] - 1 if order[0] else 0], *deviation]
    for g in flights[1:]:
        new[index(f"size_{g}")] = size[order[g - 1]] - size[order[0]]
        new[index(f"log size_sd_{g}")] = deviation[order[g - 1]]
    return new
