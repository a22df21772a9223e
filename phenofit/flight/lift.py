"""A standard deviation that rests at nought is tried above it: on its logarithm the slope there tells nothing."""

from __future__ import annotations

import math

import numpy as np

from phenofit.flight.likelihood import Likelihood
from phenofit.flight.maximise import Box, Maximum, maximise

__all__ = ["lifted"]

_TRIED = (5.0, 15.0)  # [degC d], and a tenth and a third for log sizes
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
    """Climb again with every standard deviation that rests at its lower bound raised, where that is likelier.

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
    whichever way the likelihood goes, so that a search which begins there stays there.
    """
    best = found
    for place, name in enumerate(likelihood.layout.names):
        if not (name.startswith("log ") and "_sd" in name and box.free[place]):
            continue
        if best.theta[place] > box.low[place] + 0.1:
            continue
        unit = 0.02 if "size_sd" in name else 1.0
        top, start = best.value + _LEAST_GAIN, None
        for value in _TRIED:
            theta = best.theta.copy()
            theta[place] = math.log(unit * value)
            here = likelihood(theta, False)[0]
            if here > top:
                top, start = here, theta
        if start is None:
            continue
        again = maximise(likelihood, start, box, factor, tolerance=tolerance, limit=limit)
        if again.value > best.value:
            best = again
    return best
