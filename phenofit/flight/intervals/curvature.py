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


def agreed_covariance(
    likelihood: Likelihood,
    maximum: Maximum,
    box: Box,
    covariance: np.ndarray,
    interior: np.ndarray,
    step: np.ndarray,
    *,
    profiles: Mapping[str, Profile],
) -> tuple[np.ndarray, tuple[Disagreement, ...]]:
    """Return a covariance that agrees with the likelihood in base, upper threshold and requirements."""
    found: list[Disagreement] = []
    likelihood = likelihood.twin()
    free = np.flatnonzero(box.free)
    for at, index in enumerate(free):
        name = likelihood.layout.names[index]
        parameter = likelihood.layout.entries[index].parameter
        if not interior[at] or parameter.name not in ("base", "upper", "requirement"):
            continue
        if _agrees(likelihood, maximum, box, covariance, at):
            continue
        by_curvature = math.sqrt(covariance[at, at])
        inner, _ = covariance_at(likelihood, maximum, box.hold(int(index)), step)
        others = np.delete(np.arange(len(free)), at)
        guess = _embedded(inner, others, _reach(likelihood, maximum, box, covariance, at))
        known = profiles.get(name) or profile_entry(
            likelihood.twin(), maximum, box, guess, int(index), name=name, logarithmic=False, level=_ONE_SD,
            degrees=math.inf,
        )[0]  # fmt: skip
        direction = _profile_direction(known, free, at)
        covariance = _embedded(inner, others, direction)
        found.append(Disagreement(name, by_curvature, float(direction[at])))
    return covariance, tuple(found)


def _agrees(likelihood: Likelihood, maximum: Maximum, box: Box, covariance: np.ndarray, at: int) -> bool:
    """Return whether the likelihood drops along one entry's own direction as its standard error says."""
    direction = covariance[:, at] / math.sqrt(covariance[at, at])
    drops, expected = [], []
    for sign in (-1.0, 1.0):
        size = _inside(maximum, box, sign * direction)
        drops.append(_drop(likelihood, maximum, box, sign * size * direction))
        expected.append(size * size)
    drop, one = float(np.mean(drops)), float(np.mean(expected))
    return _SMALLEST_RATIO * one - _NOISE <= drop <= _LARGEST_RATIO * one + _NOISE


def _reach(likelihood: Likelihood, maximum: Maximum, box: Box, covariance: np.ndarray, at: int) -> np.ndarray:
    """Return the direction of an entry, scaled so that the deviance is about 1 at its end."""
    direction = covariance[:, at] / math.sqrt(covariance[at, at])
    direction = direction * max(_inside(maximum, box, sign * direction) for sign in (-1.0, 1.0))
    for _ in range(20):
        drop = max(_drop(likelihood, maximum, box, sign * direction) for sign in (-1.0, 1.0))
        if 0.25 <= drop <= 4.0:
            break
        direction = direction * (0.5 if drop > 1.0 else 2.0)
    return np.asarray(direction)


def _inside(maximum: Maximum, box: Box, move: np.ndarray) -> float:
    """Return which part of a move, at most all of it, stays in the search range."""
    here = maximum.theta[box.free]
    room = np.where(move > 0.0, box.high[box.free] - here, here - box.low[box.free])
    moving = np.abs(move) > 0.0
    return min(1.0, float(np.min(room[moving] / np.abs(move[moving]))))


def _drop(likelihood: Likelihood, maximum: Maximum, box: Box, move: np.ndarray) -> float:
    """Return twice the drop of the log-likelihood after a move of the free entries."""
    theta = maximum.theta.copy()
    theta[box.free] += move
    likelihood.forget()  # a far point must not depend on what was computed before
    value = likelihood(box.inside(theta), False)[0]
    return 2.0 * (maximum.value - value) if np.isfinite(value) else math.inf


def _profile_direction(profile: Profile, free: np.ndarray, at: int) -> np.ndarray:
    """Return how all free entries move over one standard error of the profile."""
    low, high = profile.crossing(1.0)
    ends = profile.values[0] if low is None else low, profile.values[-1] if high is None else high
    path = profile.path[:, free]
    there = [np.array([np.interp(end, profile.values, column) for column in path.T]) for end in ends]
    half = 0.5 * (there[1] - there[0])
    half[at] = 0.5 * (ends[1] - ends[0])
    return np.asarray(half)


def _embedded(inner: np.ndarray, others: np.ndarray, direction: np.ndarray) -> np.ndarray:
    """Return the covariance of an entry that moves the others along a direction, given theirs with it held."""
    whole = np.zeros((len(direction), len(direction)))
    whole[np.ix_(others, others)] = inner
    return np.asarray(whole + np.outer(direction, direction))
