"""What records of one place say about its own shift, by a fit that knows how much places and seasons differ."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from phenofit.flight import FlightFit

Array = npt.NDArray[np.float64]

# Shifts of places have heavier tails than a normal distribution: Student's t, so that one place with a large shift
# is not shrunk to the others. Four degrees of freedom are common practice, no source.
_TAIL_DEGREES = 4.0
_PARTS = (0.1, 0.3, 0.5, 0.7, 0.9)  # shares of the variance between trap-years that may belong to the place
_USUAL_ERROR = 0.5  # standard error of the logarithm of an SD, where the fit gives none
_SMALLEST = 1.0  # SD [degC d]
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(3)
_ROWS = 200  # rows of the grid that are computed at a time


@dataclass(frozen=True)
class SpreadCase:
    """One possibility for how much places and the seasons of one place differ."""

    weight: float
    place_sd: float  # [degC d]
    season_sd: float


def spread_cases(fit: FlightFit) -> tuple[SpreadCase, ...]:
    """Return the possibilities that a fit leaves open, weights adding up to 1.

    A fit with a site part knows the SD between places with an error. Without one, any part of the variance between
    trap-years may belong to the place.
    """
    year = fit.parameters.get("shift_sd_year", 0.0)
    own, site = fit.parameters.get("shift_sd", 0.0), fit.parameters.get("shift_sd_site")
    name = "shift_sd" if site is None else "shift_sd_site"
    error = min(_log_error(fit, name), 1.0)
    found = []
    for node, weight in zip(_NODES, _WEIGHTS / _WEIGHTS.sum(), strict=True):
        grown = math.exp(error * float(node))
        if site is not None:
            found.append(SpreadCase(float(weight), _sd(site * grown), _sd(math.hypot(own, year))))
            continue
        for part in _PARTS:
            place, season = math.sqrt(part) * own * grown, math.sqrt(1.0 - part) * own * grown
            found.append(SpreadCase(float(weight) / len(_PARTS), _sd(place), _sd(math.hypot(season, year))))
    return tuple(found)


def _sd(value: float) -> float:
    return max(value, _SMALLEST)


def _log_error(fit: FlightFit, name: str) -> float:
    label = f"log {name}"
    if label not in fit.covariance.columns:
        return _USUAL_ERROR
    variance = fit.covariance.loc[[label], [label]].to_numpy(dtype=np.float64)[0, 0]
    return math.sqrt(max(float(variance), 0.0))


def usual_spreads(cases: Sequence[SpreadCase]) -> tuple[float, float]:
    """Return the SD between places and that between the seasons of one place [degC d], over all cases."""
    weight = np.array([case.weight for case in cases])
    place = np.array([case.place_sd for case in cases])
    season = np.array([case.season_sd for case in cases])
    return math.sqrt(float(weight @ place**2)), math.sqrt(float(weight @ season**2))


def log_posterior(grid: Array, seasons: Sequence[Array], cases: Sequence[SpreadCase]) -> Array:
    """Return the log density of a place's shift on a grid, given the log-likelihood of each of its seasons there."""
    terms = []
    for case in cases:
        scaled = grid / case.place_sd
        term = -0.5 * (_TAIL_DEGREES + 1.0) * np.log1p(scaled**2 / _TAIL_DEGREES) - math.log(case.place_sd)
        for log_like in seasons:
            term = term + averaged(log_like, grid, case.season_sd)
        terms.append(math.log(case.weight) + term)
    found = np.logaddexp.reduce(np.array(terms), axis=0)
    return np.asarray(found - found.max())


def averaged(log_like: Array, grid: Array, sd: float) -> Array:
    """Return the log of a season's likelihood averaged over its own normal shift."""
    top = float(log_like.max())
    like = np.exp(log_like - top)
    mean = np.empty_like(grid)
    for first in range(0, grid.size, _ROWS):
        rows = slice(first, first + _ROWS)
        weight = np.exp(-0.5 * ((grid[rows, np.newaxis] - grid[np.newaxis, :]) / sd) ** 2)
        # Near the ends of the grid the weights are made to add up to 1: beyond, the likelihood is taken as within.
        mean[rows] = weight @ like / weight.sum(axis=1)
    return np.asarray(top + np.log(np.maximum(mean, 1e-300)))


def quantiles(log_density: Array, grid: Array, shares: Sequence[float]) -> Array:
    """Return quantiles of a density on a grid."""
    passed = np.cumsum(np.exp(log_density - log_density.max()))
    middle = passed - 0.5 * np.diff(passed, prepend=0.0)
    return np.asarray(np.interp(shares, middle / passed[-1], grid))


def mean_and_sd(log_density: Array, grid: Array) -> tuple[float, float]:
    """Return mean and SD of a density on a grid."""
    weight = np.exp(log_density - log_density.max())
    weight /= weight.sum()
    mean = float(weight @ grid)
    return mean, math.sqrt(float(weight @ (grid - mean) ** 2))
