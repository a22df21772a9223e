"""Compiled loops over time: running sums with resets, and the moments at which they reach an amount.

Arrays come in slabs of the shape (outer, days, inner): time lines are (series, days, 1), a grid stored day after
day is (1, days, cells). Both are read in the order of memory.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from phenofit.heat.compiled.compiler import compiled

Floats = npt.NDArray[np.floating]
Integers = npt.NDArray[np.int64]

OUTSIDE = -1
"""Season number of days that lie in no season."""

UNKNOWN = -2
"""Season number of days whose season began before the series, so that the sum is not known."""


def as_slabs(values: npt.NDArray[Any], *, like: npt.NDArray[Any] | None = None) -> npt.NDArray[Any]:
    """Bring an array with days last to slabs, without a copy where its memory allows."""
    days = values.shape[-1]
    turned = np.moveaxis(values, -1, 0)
    if like is None:
        by_day = values.ndim > 1 and turned.flags.c_contiguous and not values.flags.c_contiguous
    else:
        by_day = like.shape[2] > 1
    if by_day:
        return np.ascontiguousarray(turned).reshape(1, days, -1)
    return np.ascontiguousarray(values).reshape(-1, days, 1)


def from_slabs(slabs: npt.NDArray[Any], shape: tuple[int, ...]) -> npt.NDArray[Any]:
    """Return slabs as an array of the given shape with days last, a view."""
    if slabs.shape[2] > 1:
        return np.moveaxis(slabs.reshape(shape[-1], *shape[:-1]), 0, -1)
    return slabs.reshape(shape)


@compiled
def sum_in_seasons(
    daily: Floats,
    season: Integers,
    filled: npt.NDArray[np.bool_],
    max_filled: float,
    longest_gap: float,
    out: Floats,
    share: Floats,
) -> None:
    """Sum daily heat within each season."""
    outer, days, inner = daily.shape
    look = filled.shape[1] > 0
    for o in range(outer):
        total = np.zeros(inner)
        count = np.zeros(inner)
        run = np.zeros(inner)
        current = -1
        taken = 0
        for t in range(days):
            if season[t] < 0:
                out[o, t] = math.nan
                if look:
                    share[o, t] = math.nan
                current = -1
                continue
            if season[t] != current:
                current = season[t]
                total[:] = 0.0
                count[:] = 0.0
                run[:] = 0.0
                taken = 0
            taken += 1
            for i in range(inner):
                total[i] += daily[o, t, i]
            if look:
                for i in range(inner):
                    count[i] += filled[o, t, i]
                    run[i] = run[i] + 1.0 if filled[o, t, i] else 0.0
                    if count[i] > max_filled or run[i] > longest_gap:
                        total[i] = math.nan
                    share[o, t, i] = count[i] / taken
            for i in range(inner):
                out[o, t, i] = total[i]


@compiled
def sum_from_dates(daily: Floats, first: Floats, last: Floats, out: Floats) -> None:
    """Sum daily heat from a different moment in every cell."""
    outer, days, inner = daily.shape
    for o in range(outer):
        total = np.zeros(inner)
        for t in range(days):
            for i in range(inner):
                begins = first[o, i]
                part = min(1.0, t + 1.0 - begins)
                # A begin that is NaN fails the first comparison.
                if begins >= 0.0 and part > 0.0 and t < last[o, i]:
                    total[i] += part * daily[o, t, i]
                    out[o, t, i] = total[i]
                else:
                    out[o, t, i] = math.nan


@compiled
def reach_amounts(
    heat: Floats, season: Integers, first: Floats, amounts: npt.NDArray[np.float64], out: Floats
) -> None:
    """Find when running sums reach each amount, heat growing linearly within a day."""
    outer, days, inner = heat.shape
    rising = np.argsort(amounts)
    least = amounts[rising[0]]
    for o in range(outer):
        out[o] = math.nan
        previous = np.zeros(inner)
        target = np.full(inner, least)  # the next amount of each cell, so that most days take one comparison
        number = np.zeros(inner, dtype=np.int64)
        current = -1
        for t in range(days):
            s = season[t]
            if s < 0:
                continue
            if s != current:
                current = s
                previous[:] = 0.0
                target[:] = least
                number[:] = 0
            for i in range(inner):
                now = np.float64(heat[o, t, i])
                # Unknown sums fail the comparison.
                if now >= target[i]:
                    before = previous[i]
                    begins = float(t) if math.isnan(first[o, i]) else max(float(t), first[o, i])
                    n = number[i]
                    while n < amounts.size and amounts[rising[n]] <= now:
                        part = (amounts[rising[n]] - before) / (now - before)
                        out[o, i, s, rising[n]] = begins + (t + 1.0 - begins) * part
                        n += 1
                    number[i] = n
                    target[i] = amounts[rising[n]] if n < amounts.size else math.inf
            for i in range(inner):
                now = np.float64(heat[o, t, i])
                previous[i] = previous[i] if math.isnan(now) else now
