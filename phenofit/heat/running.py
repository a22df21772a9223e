"""Compiled loops over time: running sums with resets, and the moments at which they reach an amount."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from phenofit.heat.compiling import compiled

__all__ = ["OUTSIDE", "UNKNOWN", "reach_amounts", "sum_from_dates", "sum_in_seasons"]

Floats = npt.NDArray[np.floating]
Integers = npt.NDArray[np.int64]

OUTSIDE = -1
"""Season number of days that lie in no season."""

UNKNOWN = -2
"""Season number of days whose season began before the series, so that the sum is not known."""


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
    """Sum daily heat within each season.

    Parameters
    ----------
    daily : array, shape (cells, days)
        Heat of each day [degC d]; NaN makes the rest of the season NaN.
    season : array of int, shape (days,)
        Season of each day; a new number begins a new sum, a negative one gives NaN.
    filled : array of bool, shape (cells, days), or (0, 0) for none
        Days whose temperatures were filled.
    max_filled, longest_gap : float
        Highest number of filled days in a season, and in a row, that a sum may hold; infinite for any.
    out, share : array, shape (cells, days)
        Receive the sums [degC d] and the share of filled days in them; `share` may be (0, 0).
    """
    cells, days = daily.shape
    look = filled.shape[1] > 0
    tell = share.shape[1] > 0
    for i in range(cells):
        total = 0.0
        current = -1
        taken = count = run = 0
        for t in range(days):
            if season[t] < 0:
                out[i, t] = math.nan
                if tell:
                    share[i, t] = math.nan
                current = -1
                continue
            if season[t] != current:
                current = season[t]
                total = 0.0
                taken = count = run = 0
            total += daily[i, t]
            taken += 1
            if look:
                if filled[i, t]:
                    count += 1
                    run += 1
                else:
                    run = 0
                if count > max_filled or run > longest_gap:
                    total = math.nan
            out[i, t] = total
            if tell:
                share[i, t] = count / taken


@compiled
def sum_from_dates(daily: Floats, first: Floats, last: Floats, out: Floats) -> None:
    """Sum daily heat from a moment of its own in every cell.

    Parameters
    ----------
    daily : array, shape (cells, days)
        Heat of each day [degC d].
    first, last : array, shape (cells,)
        Where the sum begins and ends [days since the midnight that begins the series]. The day of the beginning
        counts for the part after it. NaN or a beginning before the series gives NaN.
    out : array, shape (cells, days)
        Receives the sums to the end of each day; NaN before the beginning and from the end on.
    """
    cells, days = daily.shape
    for i in range(cells):
        total = 0.0
        known = first[i] >= 0.0
        for t in range(days):
            part = min(1.0, t + 1.0 - first[i])
            if not known or part <= 0.0 or t >= last[i]:
                out[i, t] = math.nan
                continue
            total += part * daily[i, t]
            out[i, t] = total


@compiled
def reach_amounts(
    heat: Floats, season: Integers, first: Floats, amounts: npt.NDArray[np.float64], out: Floats
) -> None:
    """Find when running sums reach each amount, heat growing linearly within a day.

    Parameters
    ----------
    heat : array, shape (cells, days)
        Sum to the end of each day [degC d].
    season : array of int, shape (days,)
        Position of each day's season on the axis of `out`; negative for none.
    first : array, shape (cells,)
        Where each sum begins [days since the beginning of the series]; NaN where it begins at a midnight.
    amounts : array, shape (amounts,)
        Heat asked for [degC d], above nil.
    out : array, shape (cells, seasons, amounts)
        Receives the moments [days since the beginning of the series]; NaN where not reached.
    """
    cells, days = heat.shape
    for i in range(cells):
        out[i] = math.nan
        previous = 0.0
        current = -1
        for t in range(days):
            s = season[t]
            if s < 0 or math.isnan(heat[i, t]):
                continue
            if s != current:
                current = s
                previous = 0.0
            begins = float(t) if math.isnan(first[i]) else max(float(t), first[i])
            for k in range(amounts.size):
                if previous < amounts[k] <= heat[i, t]:
                    part = (amounts[k] - previous) / (heat[i, t] - previous)
                    out[i, s, k] = begins + (t + 1.0 - begins) * part
            previous = float(heat[i, t])
