"""Compare the curvature at the maximum with the likelihood itself, and use the profile where the two disagree."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from phenofit.flight.estimate.maximise import Box, Maximum
from phenofit.flight.estimate.search import covariance_at
from phenofit.flight.intervals.profile import Profile, profile_entry
from phenofit.flight.likelihood.log_likelihood import Likelihood

# Twice the drop of the log-likelihood one standard error away is 1 where the curvature describes it. These
# limits accept the curved ridge of base and requirement, and find a standard error that is wrong by a factor of 3.
_LARGEST_RATIO, _SMALLEST_RATIO = 6.0, 0.15
_NOISE = 0.1  # error of the quadrature in twice a difference of log-likelihoods
_ONE_SD = 0.6827


@dataclass(frozen=True)
class Disagreement:
    """A standard error that the likelihood does not confirm."""

    name: str  # Parameter.
    curvature: float  # Its standard error by the curvature, and by the profile, in its unit.
    profile: float
    unit: str  # Of both.


def agreed_covariance(
    likelihood: Likelihood,
    maximum: Maximum,
    box: Box,
    covariance: np.ndarray,
    interior: np.ndarray,
    *,
    profiles: Mapping[str, Profile],
) -> tuple[np.ndarray, tuple[Disagreement, ...]]:
    """Return a covariance that agrees with the likelihood in base, upper threshold and requirements."""
    found: list[Disagreement] = []
    likelihood = likelihood.twin()
    free = np.flatnonzero(box.free)
    point = _Point(likelihood, maximum, box)
    for at, index in enumerate(free):
        name = likelihood.layout.names[index]
        parameter = likelihood.layout.entries[index].parameter
        if not interior[at] or parameter.name not in ("base", "upper", "requirement"):
            continue
        if _agrees(point, covariance, at):
            continue
        by_curvature = math.sqrt(covariance[at, at])
        reach = _reach(point, covariance, at)
        if parameter.name == "requirement":
            # Its coordinate has no profile: the standard error is computed from the likelihood along its direction.
            by_profile = float(reach[at])
            scale = np.ones(len(free))
            scale[at] = by_profile / by_curvature
            covariance = covariance * np.outer(scale, scale)
        else:
            inner, _ = covariance_at(likelihood, maximum, box.hold(int(index)))
            others = np.delete(np.arange(len(free)), at)
            guess = _embedded(inner, others, reach)
            known = profiles.get(name) or profile_entry(
                likelihood.twin(), maximum, box, guess, int(index), name=name, logarithmic=False, level=_ONE_SD,
                degrees=math.inf,
            )[0]  # fmt: skip
            direction = _profile_direction(known, point, at)
            by_profile = float(direction[at])
            covariance = _embedded(inner, others, direction)
        days = parameter.name == "requirement" and likelihood.reference is not None
        found.append(Disagreement(name, by_curvature, by_profile, "days" if days else parameter.unit))
    return covariance, tuple(found)


class _Point:
    """The maximum in the coordinates of the search, and moves away from it."""

    def __init__(self, likelihood: Likelihood, maximum: Maximum, box: Box) -> None:
        self.likelihood, self.box, self.value = likelihood, box, maximum.value
        self.free = np.flatnonzero(box.free)
        self.coordinates = likelihood.coordinates.keeping(box.direct)
        self.z = self.coordinates.searched(maximum.theta)
        # Base and upper threshold have bounds of their own in these coordinates; the others are set back inside.
        bounded = [e.parameter.name in ("base", "upper") for e in likelihood.layout.entries]
        self.low = np.where(bounded, box.low, -math.inf)[self.free]
        self.high = np.where(bounded, box.high, math.inf)[self.free]

    def inside(self, move: np.ndarray) -> float:
        """Return which part of a move, at most all of it, stays in the search range."""
        here = self.z[self.free]
        room = np.where(move > 0.0, self.high - here, here - self.low)
        moving = np.abs(move) > 0.0
        return min(1.0, float(np.min(room[moving] / np.abs(move[moving]))))

    def drop(self, move: np.ndarray) -> float:
        """Return twice the drop of the log-likelihood after a move of the free entries."""
        z = self.z.copy()
        z[self.free] += move
        self.likelihood.forget()  # a far point must not depend on what was computed before
        value = self.likelihood(self.box.inside(self.coordinates.vector(z)), False)[0]
        return 2.0 * (self.value - value) if np.isfinite(value) else math.inf


def _agrees(point: _Point, covariance: np.ndarray, at: int) -> bool:
    """Return whether the likelihood drops along one entry's own direction as its standard error says."""
    direction = covariance[:, at] / math.sqrt(covariance[at, at])
    drops, expected = [], []
    for sign in (-1.0, 1.0):
        size = point.inside(sign * direction)
        drops.append(point.drop(sign * size * direction))
        expected.append(size * size)
    drop, one = float(np.mean(drops)), float(np.mean(expected))
    return _SMALLEST_RATIO * one - _NOISE <= drop <= _LARGEST_RATIO * one + _NOISE


def _reach(point: _Point, covariance: np.ndarray, at: int) -> np.ndarray:
    """Return the direction of an entry, scaled so that the deviance is about 1 at its end."""
    direction = covariance[:, at] / math.sqrt(covariance[at, at])
    direction = direction * max(point.inside(sign * direction) for sign in (-1.0, 1.0))
    for _ in range(20):
        drop = max(point.drop(sign * direction) for sign in (-1.0, 1.0))
        if 0.25 <= drop <= 4.0:
            break
        direction = direction * (0.5 if drop > 1.0 else 2.0)
    return np.asarray(direction)


def _profile_direction(profile: Profile, point: _Point, at: int) -> np.ndarray:
    """Return how all free entries move over one standard error of the profile."""
    low, high = profile.crossing(1.0)
    ends = profile.values[0] if low is None else low, profile.values[-1] if high is None else high
    path = point.coordinates.searched(profile.path)[:, point.free]
    there = [np.array([np.interp(end, profile.values, column) for column in path.T]) for end in ends]
    half = 0.5 * (there[1] - there[0])
    half[at] = 0.5 * (ends[1] - ends[0])
    return np.asarray(half)


def _embedded(inner: np.ndarray, others: np.ndarray, direction: np.ndarray) -> np.ndarray:
    """Return the covariance of an entry that moves the others along a direction, given theirs with it held."""
    whole = np.zeros((len(direction), len(direction)))
    whole[np.ix_(others, others)] = inner
    return np.asarray(whole + np.outer(direction, direction))
