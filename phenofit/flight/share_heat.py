"""The heat at which a share of a flight has flown, with its interval."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from phenofit.errors import ModelError
from phenofit.flight.kernels.curves import heat_at_share
from phenofit.flight.result import FlightFit

_SIDES = (-1, 1)


def share_intervals(
    fit: FlightFit, shares: Sequence[float], flight: int = 1, *, level: float | None = None
) -> list[tuple[float, float | None, float | None]]:
    """Return the heat at which shares of a flight have flown, with intervals."""
    # Method of variance estimates recovery (Zou and Donner 2008, Stat. Med. 27:1693-1702): the distance to an end is
    # the root of the sum of squares of what the ends of requirement and spread add to the heat, with their
    # correlation. For half of the flight this is the profile interval of the requirement.
    if list(shares) != sorted(shares):
        raise ModelError("give the shares in rising order.")
    middle, spread = fit.requirement(flight), fit.spread(flight)
    limits = [_limits(fit, f"{name}_{flight}", level) for name in ("requirement", "spread")]
    correlation = _correlation(fit, flight)
    amounts: list[float] = []
    ends: dict[int, list[float]] = {side: [] for side in _SIDES}
    for share in shares:
        amount = heat_at_share(fit.settings.curve, share, middle, spread)
        # A wider flight reaches a share above one half later, and one below one half earlier.
        rises = int(np.sign(share - 0.5))
        for side in _SIDES:
            by_middle = heat_at_share(fit.settings.curve, share, limits[0][side], spread) - amount
            by_spread = 0.0
            if rises:
                by_spread = heat_at_share(fit.settings.curve, share, middle, limits[1][side * rises]) - amount
            square = by_middle**2 + by_spread**2 + 2.0 * rises * correlation * by_middle * by_spread
            ends[side].append(amount + side * math.sqrt(max(square, 0.0)))
        amounts.append(max(amount, 0.0))
    low = np.maximum(np.minimum.accumulate(ends[-1][::-1])[::-1], 0.0)
    high = np.maximum(np.maximum.accumulate(ends[1]), 0.0)
    return [(amount, _known(a), _known(b)) for amount, a, b in zip(amounts, low, high, strict=True)]


def _limits(fit: FlightFit, name: str, level: float | None) -> dict[int, float]:
    """Return the ends of a parameter: NaN for an open one, the value itself where it is held."""
    if name not in fit.profiles:
        known = fit.parameters[name] if name in fit.settings.hold else math.nan
        return dict.fromkeys(_SIDES, known)
    ends = fit.interval(name, level)
    return {side: math.nan if end is None else end for side, end in zip(_SIDES, ends, strict=True)}


def _correlation(fit: FlightFit, flight: int) -> float:
    names = [f"requirement_{flight}", f"log spread_{flight}"]
    if not set(names) <= set(fit.covariance.columns):
        return 0.0
    part = fit.covariance.loc[names, names].to_numpy()
    return float(np.clip(part[0, 1] / math.sqrt(part[0, 0] * part[1, 1]), -1.0, 1.0))


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
