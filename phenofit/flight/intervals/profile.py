"""Profile likelihood: one parameter moved, all others refitted, until the likelihood has dropped to the cut."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator

from phenofit.errors import ModelError
from phenofit.flight.estimate.flat_spread import maximise_off_bounds, start_off_bounds
from phenofit.flight.estimate.maximise import Box, Maximum
from phenofit.flight.likelihood.log_likelihood import Likelihood

# Of the log-likelihood, by an iteration of the search at a point: less moves an end by some 1e-4 of the width.
_LEAST_GAIN = 1e-3


@dataclass(frozen=True)
class Profile:
    """The profile of one parameter on its natural scale.

    Attributes
    ----------
    name : str
        Parameter, such as ``"base"`` or ``"requirement_1"``.
    estimate : float
        Value of the highest likelihood, in the unit of the parameter.
    values : array
        Parameter values, rising, in the unit of the parameter.
    deviance : array
        Twice the drop of the log-likelihood below its maximum at each.
    logarithmic : bool
        Whether interpolation goes by the logarithm of the value.
    low_bound, high_bound : float
        Search range, in the unit of the parameter.
    degrees : float
        Degrees of freedom of the error, see :func:`cut_root`; infinite for the chi-squared cut.
    path : array, shape (values, parameters)
        The refitted parameter vector at each value.
    followed : float
        Root of the deviance up to which the profile was computed, as far as the records allow. An end that it did
        not reach is open.
    """

    name: str
    estimate: float
    values: np.ndarray
    deviance: np.ndarray
    logarithmic: bool
    low_bound: float
    high_bound: float
    degrees: float
    path: np.ndarray
    followed: float = 0.0

    def interval(self, level: float) -> tuple[float | None, float | None]:
        """Return the ends of the interval; ``None`` for an end that the data leave open.

        Parameters
        ----------
        level : float
            Confidence level.

        Returns
        -------
        tuple of float or None
            Low and high end.

        Raises
        ------
        ModelError
            If the profile was not computed far enough for this level.
        """
        return self.crossing(self.root_at(level), level)

    def root_at(self, level: float) -> float:
        """Return the root of the deviance at which the interval of a level ends."""
        return cut_root(level, self.degrees)

    def crossing(self, cut: float, level: float | None = None) -> tuple[float | None, float | None]:
        """Return where the root of the deviance passes a cut, below and above the estimate.

        Parameters
        ----------
        cut : float
            Root of the deviance.
        level : float, optional
            Its confidence level, for the message.

        Returns
        -------
        tuple of float or None
            Low and high end; ``None`` for an end that the data leave open.

        Raises
        ------
        ModelError
            If the profile was not computed far enough.
        """
        low, high = where_passed(self.values, self.deviance, self.estimate, cut, logarithmic=self.logarithmic)
        for end, last, bound in (
            (low, self.values[0], self.low_bound),
            (high, self.values[-1], self.high_bound),
        ):
            stopped = end is None and not math.isclose(last, bound, rel_tol=1e-6, abs_tol=1e-6)
            if stopped and cut > self.followed + 1e-9:
                raise ModelError(
                    f"the profile of {self.name} was computed to the level of the fit; "
                    f"refit with level={level_of_root(cut, self.degrees) if level is None else level:g} "
                    "for a wider interval."
                )
        return low, high


def where_passed(
    values: np.ndarray, deviance: np.ndarray, estimate: float, cut: float, *, logarithmic: bool = False
) -> tuple[float | None, float | None]:
    """Return where the root of a deviance passes a cut, below and above the estimate."""
    root = np.sqrt(np.maximum(deviance, 0.0))
    ends: list[float | None] = []
    for keep, outward in ((values <= estimate, -1), (values >= estimate, 1)):
        x, r = values[keep][::outward], root[keep][::outward]
        if r[-1] < cut:
            ends.append(None)
            continue
        # The root of the deviance is nearly linear; made monotone so that it can be inverted.
        rising = np.maximum.accumulate(r) + 1e-12 * np.arange(len(r))
        end = float(PchipInterpolator(rising, np.log(x) if logarithmic else x)(cut))
        ends.append(math.exp(end) if logarithmic else end)
    return ends[0], ends[1]


def cut_root(level: float, degrees: float) -> float:
    """Return the root of the deviance at which an interval ends."""
    from scipy.stats import norm, t

    tail = 0.5 + 0.5 * level
    if math.isinf(degrees):
        return float(norm.ppf(tail))
    return math.sqrt((degrees + 1.0) * math.log1p(float(t.ppf(tail, degrees)) ** 2 / degrees))


def level_of_root(root: float, degrees: float) -> float:
    """Return the level of the interval that ends at a root of the deviance; the inverse of :func:`cut_root`."""
    from scipy.stats import norm, t

    if math.isinf(degrees):
        return float(1.0 - 2.0 * norm.sf(root))
    quantile = math.sqrt(degrees * math.expm1(root * root / (degrees + 1.0)))
    return float(1.0 - 2.0 * t.sf(quantile, degrees))


def conditional(covariance: np.ndarray, index: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the regression of the others on one entry, and a root of their covariance with it held."""
    others = np.delete(np.arange(len(covariance)), index)
    slopes = covariance[others, index] / covariance[index, index]
    rest = covariance[np.ix_(others, others)] - np.outer(slopes, covariance[others, index])
    return slopes, square_root(rest)


def square_root(matrix: np.ndarray) -> np.ndarray:
    """Return a matrix whose product with its transpose is a covariance; any serves as a scale."""
    values, vectors = np.linalg.eigh(0.5 * (matrix + matrix.T))
    return np.asarray(vectors * np.sqrt(np.maximum(values, 1e-10)))


def on_heat_scale(
    likelihood: Likelihood, theta: np.ndarray, box: Box, covariance: np.ndarray, index: int
) -> np.ndarray:
    """Return a covariance of the free entries with one of them on the scale of the likelihood's vector."""
    free = np.flatnonzero(box.free)
    coordinates = likelihood.coordinates.keeping(box.direct)
    unit = np.zeros_like(theta)
    unit[index] = 1.0
    change = np.eye(len(free))
    change[free == index] = coordinates.pulled(coordinates.searched(theta), unit)[free]
    return np.asarray(change @ covariance @ change.T)


def profile_entry(
    likelihood: Likelihood,
    maximum: Maximum,
    box: Box,
    covariance: np.ndarray,
    index: int,
    *,
    name: str,
    logarithmic: bool,
    level: float,
    degrees: float,
    transform: Callable[[float], float] | None = None,
) -> tuple[Profile, Maximum]:
    """Compute the profile of one entry on both sides."""
    free = np.flatnonzero(box.free)
    at = int(np.flatnonzero(free == index)[0])
    others = np.delete(free, at)
    inner = box.hold(index)
    coordinates = likelihood.coordinates.keeping(inner.direct)
    covariance = on_heat_scale(likelihood, maximum.theta, box, covariance, index)
    slopes, root = conditional(covariance, at)
    error = math.sqrt(max(covariance[at, at], 1e-10))
    cut = cut_root(level, degrees)
    points: dict[float, tuple[float, np.ndarray]] = {float(maximum.theta[index]): (0.0, maximum.theta)}
    best, scale = maximum, root

    def at_value(value: float, near: np.ndarray, lead: np.ndarray) -> float:
        nonlocal best, scale
        z = coordinates.searched(near)
        z[others] += lead * (value - near[index])
        z[index] = value
        theta = start_off_bounds(likelihood, inner.inside(coordinates.vector(z)), inner)
        found = maximise_off_bounds(
            likelihood, theta, inner, scale, tolerance=0.01, limit=60, least_gain=_LEAST_GAIN
        )
        # The next search begins with the curvature found here.
        scale = square_root(found.spread)
        if found.value > best.value:
            best = found
        deviance = 2.0 * (maximum.value - found.value)
        points[value] = (deviance, found.theta)
        return math.sqrt(max(deviance, 0.0))

    for side in (-1.0, 1.0):
        bound = float(box.low[index] if side < 0 else box.high[index])
        here, near, reached = float(maximum.theta[index]), maximum.theta, 0.0
        slope, lead, scale = 1.0 / error, slopes, root
        step, retries = min(error * cut / 2.0, max(abs(bound - here), 1e-9)), 4
        for _ in range(25):
            if abs(here - bound) < 1e-9:
                break
            target = here + side * step
            if (bound - target) * side <= 0.05 * step:
                target = bound
            r = at_value(target, near, lead)
            if r > reached + slope * abs(target - here) + 0.6 and retries:
                # Far more than expected in one step: the search may not have converged.
                del points[target]
                step, retries = 0.5 * min(step, abs(target - here)), retries - 1
                continue
            slope = (r - reached) / abs(target - here)
            moved = coordinates.searched(points[target][1]) - coordinates.searched(near)
            lead = moved[others] / (target - here)
            here, near, reached = target, points[target][1], r
            if r >= 1.04 * cut:
                break
            # Aim a little beyond the cut once the slope is known; never more than double the step.
            wanted = (1.1 * cut - r) / slope if slope > 1e-12 else 2.0 * step
            step = min(max(wanted, 0.25 * step), 2.0 * step, 3.0 * error * cut)
            if r < 0.5 * cut:
                step = min(step, max(0.6 * wanted, 0.25 * step))

    entry = np.array(sorted(points))
    back = transform or (math.exp if logarithmic else float)
    return (
        Profile(
            name=name,
            estimate=back(float(maximum.theta[index])),
            values=np.array([back(float(v)) for v in entry]),
            deviance=np.array([points[float(v)][0] for v in entry]),
            logarithmic=logarithmic,
            low_bound=back(float(box.low[index])),
            high_bound=back(float(box.high[index])),
            degrees=degrees,
            path=np.array([points[float(v)][1] for v in entry]),
            followed=cut,
        ),
        best,
    )
