"""The flight likelihood once more, in plain NumPy and by brute force; shares no line with the package.

Only for small data: every integral is a sum over a dense grid, so that nothing hangs on where nodes lie.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln
from scipy.stats import logistic, lognorm, norm


@dataclass(frozen=True)
class Record:
    """One trap-year: heat at the interval ends, counts, effort and length of the intervals, its group."""

    left: np.ndarray
    right: np.ndarray
    count: np.ndarray
    effort: np.ndarray
    length: np.ndarray
    group: int


def sine_heat(tmin: np.ndarray, tmax: np.ndarray, base: float) -> np.ndarray:
    """Degree-days of each day by the textbook single-sine integral, no upper threshold."""
    mean, half = 0.5 * (tmin + tmax), 0.5 * (tmax - tmin)
    z = np.clip((base - mean) / np.where(half > 0, half, 1.0), -1.0, 1.0)
    angle = np.arccos(z)
    part = (half * np.sqrt(1.0 - z**2) + (mean - base) * angle) / np.pi
    return np.where(tmin >= base, mean - base, np.where(tmax <= base, 0.0, part))


def share(curve: str, heat: np.ndarray, median: np.ndarray, m: float, s: float) -> np.ndarray:
    if curve == "normal":
        return np.asarray(norm.cdf(heat, median, s))
    if curve == "logistic":
        return np.asarray(logistic.cdf(heat, median, s * np.sqrt(3.0) / np.pi))
    if curve == "log-normal":
        return np.asarray(lognorm.cdf(heat, s / m, scale=median))
    raise ValueError(curve)


def log_chance(
    record: Record,
    shift: np.ndarray,
    log_size: np.ndarray,
    *,
    curve: str,
    requirement: list[float],
    spread: list[float],
    concentration: float,
    stray: float,
) -> np.ndarray:
    """Log chance of one trap-year's counts at arrays of shifts and of log sizes of flight 2 (same shape)."""
    weight = (
        [1.0 / (1.0 + np.exp(log_size)), 1.0 / (1.0 + np.exp(-log_size))] if len(requirement) == 2 else [1.0]
    )
    flown = np.zeros((*shift.shape, len(record.count)))
    for w, m, s in zip(weight, requirement, spread, strict=True):
        median = (m + shift)[..., None]
        step = share(curve, record.right, median, m, s) - share(curve, record.left, median, m, s)
        flown = flown + np.asarray(w)[..., None] * step * record.effort
    p = flown / np.maximum(flown.sum(axis=-1, keepdims=True), 1e-12)
    uniform = record.length * record.effort
    p = (1 - stray) * p + stray * uniform / uniform.sum()
    n, total = record.count, record.count.sum()
    coefficient = gammaln(total + 1) - gammaln(n + 1).sum()
    if np.isinf(concentration):
        return np.asarray(coefficient + (n * np.log(p)).sum(axis=-1))
    a = concentration * p
    return np.asarray(
        coefficient
        + gammaln(concentration)
        - gammaln(concentration + total)
        + (gammaln(n + a) - gammaln(a)).sum(axis=-1)
    )


def log_likelihood(
    records: list[Record],
    *,
    shift_sd_group: float,
    shift_sd: float,
    size: float = 0.0,
    size_sd: float = 1.0,
    points: int = 161,
    **model: object,
) -> float:
    """Integrate group shift, own shift and log size by sums over +-8 standard deviations."""
    x = np.linspace(-8.0, 8.0, points)
    density = norm.pdf(x) * (x[1] - x[0])
    two = len(model["requirement"]) == 2  # type: ignore[arg-type]
    coarse = np.linspace(-6.0, 6.0, 61) if two else np.zeros(1)
    size_density = norm.pdf(coarse) * (coarse[1] - coarse[0]) if two else np.ones(1)
    total = 0.0
    for group in sorted({r.group for r in records}):
        members = [r for r in records if r.group == group]
        by_place = np.zeros(points)
        for k, v in enumerate(x):
            for record in members:
                u = np.broadcast_to(shift_sd_group * v + shift_sd * x[:, None], (points, len(coarse)))
                eta = np.broadcast_to(size + size_sd * coarse[None, :], u.shape)
                value = log_chance(record, u, eta, **model)  # type: ignore[arg-type]
                top = value.max()
                by_place[k] += top + np.log((np.exp(value - top) * density[:, None] * size_density).sum())
        top = by_place.max()
        total += top + np.log((np.exp(by_place - top) * density).sum())
    return float(total)
