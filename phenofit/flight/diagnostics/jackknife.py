"""The standard error of an estimate from its values without one group at a time."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt


def jackknife_errors(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return the standard error of each column from a row without each group; missing values do not count.

    The square is (k - 1) / k times the sum of squared differences from the mean of the k values (Efron &
    Tibshirani 1993, An Introduction to the Bootstrap).
    """
    count = len(values)
    squares = (values - np.nanmean(values, axis=0)) ** 2
    return np.asarray(np.sqrt((count - 1) / count * np.nansum(squares, axis=0)))
