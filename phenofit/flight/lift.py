"""A spread that rests where it makes no difference is tried elsewhere: on its logarithm the slope tells nothing there."""

from __future__ import annotations

import math

import numpy as np

from phenofit.flight.likelihood import Likelihood
from phenofit.flight.maximise import Box, Maximum, maximise

__all__ = ["lifted"]

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
    """Climb again with every spread that rests near its bound moved away from it, where that is likelier.

    Parameters
    ----------
    likelihood : Likelihood
        What is maximised.
    found : Maximum
        Where a search ended.
    box, factor, tolerance, limit
        As for :func:`phenofit.flight.maximise.maximise`.

    Returns
    -------
    Maximum
        The likelier of the two ends.

    Notes
    -----
    The slope in log SD is 2 SD² times the slope in the variance. At an SD near nought it is below every tolerance,
    whichever way the likelihood goes, so that a search which begins there stays there. The slope in the log of a
    large concentration is as small: independent moths are at its end.
    """
    best = found
    for place, name in enumerate(likelihood.layout.names):
        tried = _tried(name)
        if (
            not tried
            or not box.free[place]
            or tried[0] * _side(tried) < math.exp(best.theta[place]) * _side(tried)
        ):
            continue
        top, start = best.value + _LEAST_GAIN, None
        for value in tried[1:]:
            theta = best.theta.copy()
            theta[place] = math.log(value)
            here = likelihood(theta, False)[0]
            if here > top:
                top, start = here, theta
        if start is None:
            continue
        again = maximise(likelihood, start, box, factor, tolerance=tolerance, limit=limit)
        if again.value > best.value:
            best = again
    return best


def _tried(name: str) -> tuple[float, ...]:
    if not name.startswith("log "):
        return ()
    kind = name.removeprefix("log ")
    if kind.endswith("_sd") or "_sd_" in kind:
        kind = "size" if kind.startswith(("size", "abundance")) else "shift"
    return _TRIED.get(kind, ())


def _side(tried: tuple[float, ...]) -> float:
    """Return 1 where what makes no difference lies below the first value, -1 where it lies above."""
    return 1.0 if tried[0] < tried[1] else -1.0
