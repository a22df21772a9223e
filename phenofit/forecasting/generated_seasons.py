"""Seasons generated from a few past ones: more of them, and with the uncertainty that so few past seasons leave.

Five past seasons used unchanged would imply that the next one lies among them. But their mean has a standard error
of 1 / sqrt(5) of the SD between seasons, and that SD has four degrees of freedom. A generated season is therefore a
draw from the predictive distribution of a further season: Student's t with M - 1 degrees of freedom, its scale
widened by sqrt(1 + 1 / M) (the predictive distribution of a normal sample; Gelman et al. 2013, Bayesian Data
Analysis, section 3.2, from memory). It holds for the slow part of the temperature. The fast part, from day to day,
is that of one of the past seasons.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

Floats = npt.NDArray[np.float64]

FEWEST = 3
"""Fewest past seasons from which others can be generated."""
ENOUGH = 30
"""Number of past seasons from which they are used unchanged."""

_COUNT = 300  # number of generated seasons
_SLOW_DAYS = 15  # width of the running mean that separates the slow part from the fast one


def generated_seasons(tmin: Floats, tmax: Floats, *, seed: int) -> tuple[Floats, Floats]:
    """Return daily minima and maxima of generated seasons, shape (seasons, days), from those of past ones."""
    past = len(tmin)
    if not FEWEST <= past < ENOUGH:
        return tmin, tmax
    middle, half = 0.5 * (tmin + tmax), 0.5 * (tmax - tmin)
    # Only the day after a season may be missing, in some of them: the mean of the others is then used for that day.
    centre = _mean_of_known(middle)
    apart = np.nan_to_num(middle - centre)
    half = np.where(np.isnan(half), _mean_of_known(half), half)
    slow = uniform_filter1d(apart, _SLOW_DAYS, axis=1, mode="nearest")
    generator = np.random.default_rng([seed, past])
    weight = generator.standard_normal((_COUNT, past))
    weight = (weight - weight.mean(axis=1, keepdims=True)) / math.sqrt(past - 1)
    degrees = past - 1
    scale = np.sqrt(degrees / generator.chisquare(degrees, _COUNT)) * math.sqrt(1.0 + 1.0 / past)
    one = generator.permutation(np.arange(_COUNT) % past)
    fast = (apart - slow)[one] * math.sqrt(past / (past - 1.0))
    made = centre + scale[:, np.newaxis] * (weight @ slow) + fast
    return made - half[one], made + half[one]


def _mean_of_known(rows: Floats) -> Floats:
    known = np.isfinite(rows)
    number = known.sum(axis=0)
    total = np.where(known, rows, 0.0).sum(axis=0)
    return np.where(number > 0, total / np.maximum(number, 1), np.nan)
