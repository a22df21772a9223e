"""Parameter vectors by name, and slopes compared with differences of the values."""

from __future__ import annotations

import math

import numpy as np
import pytest

from phenofit.flight.likelihood.log_likelihood import Likelihood

USUAL = {
    "base": 10.3,
    "requirement_1": 508.0,
    "log spread_1": math.log(63.0),
    "log concentration": math.log(9.0),
    "log group_sd": math.log(17.0),
    "log cross_sd": math.log(14.0),
    "log shift_sd": math.log(19.0),
    "logit stray": -6.0,
    "log abundance": 3.0,
    "log abundance_sd": -0.3,
}


def vector(likelihood: Likelihood, **values: float) -> np.ndarray:
    """Return the usual values, some of them replaced; what a model lacks plays no part."""
    given = USUAL | values
    return np.array([given.get(name, 0.0) for name in likelihood.layout.names])


def slopes_hold(likelihood: Likelihood, theta: np.ndarray, skip: tuple[str, ...]) -> None:
    """Check every slope but some against a central difference."""
    likelihood(theta)
    _, slope = likelihood(theta)
    for k, name in enumerate(likelihood.layout.names):
        if name in skip:
            continue
        step = 1e-4 * max(1.0, abs(theta[k]))
        up, down = theta.copy(), theta.copy()
        up[k] += step
        down[k] -= step
        difference = (likelihood(up, False)[0] - likelihood(down, False)[0]) / (2 * step)
        assert slope[k] == pytest.approx(difference, rel=1e-4, abs=2e-4), name
