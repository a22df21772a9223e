"""When a heat sum reaches an amount: many draws of base and amount over an ensemble of seasons (compiled).

The last day of every row is the one after the season: it gives a double method its next minimum, and is else not needed.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from phenofit.heat.compiled.compiler import compiled
from phenofit.heat.compiled.daily_kernels import day_heat


@compiled
def crossing_days(
    tmin: npt.NDArray[np.float64],
    tmax: npt.NDArray[np.float64],
    member: npt.NDArray[np.int64],
    base: npt.NDArray[np.float64],
    amount: npt.NDArray[np.float64],
    upper: npt.NDArray[np.float64],
    method_code: int,
    cutoff_code: int,
    before: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    """Return the day on which the heat of a draw reaches each of its amounts, given its heat before the first day."""
    draws, events = amount.shape
    days = tmax.shape[1]
    result = np.full((draws, events), math.inf)
    for k in range(draws):
        m = member[k]
        heat = before[k]
        left = 0
        for e in range(events):
            if amount[k, e] < heat:
                result[k, e] = -math.inf
            elif amount[k, e] == heat:
                result[k, e] = 0.0
            elif math.isnan(amount[k, e]):
                result[k, e] = math.nan
            else:
                left += 1
        d = 0
        while left > 0 and d < days:
            value = _heat_on(d, tmin[m], tmax[m], base[k], upper[k], method_code, cutoff_code)
            if math.isnan(value):
                for e in range(events):
                    if result[k, e] == math.inf and d + 1 < days:
                        result[k, e] = math.nan
                break
            if value > 0.0:
                for e in range(events):
                    if result[k, e] == math.inf and heat + value >= amount[k, e]:
                        result[k, e] = d + (amount[k, e] - heat) / value
                        left -= 1
            heat += value
            d += 1
    return result


@compiled
def heat_before(
    tmin: npt.NDArray[np.float64],
    tmax: npt.NDArray[np.float64],
    base: npt.NDArray[np.float64],
    upper: npt.NDArray[np.float64],
    method_code: int,
    cutoff_code: int,
) -> npt.NDArray[np.float64]:
    """Return the heat of each draw before each day of one season, shape (draws, days + 1)."""
    days, draws = tmax.size, base.size
    result = np.zeros((draws, days + 1))
    for k in range(draws):
        for d in range(days):
            value = _heat_on(d, tmin, tmax, base[k], upper[k], method_code, cutoff_code)
            result[k, d + 1] = result[k, d] + value
    return result


@compiled
def crossing_after(
    tmin: npt.NDArray[np.float64],
    tmax: npt.NDArray[np.float64],
    member: npt.NDArray[np.int64],
    base: npt.NDArray[np.float64],
    start: npt.NDArray[np.float64],
    amount: npt.NDArray[np.float64],
    upper: float,
    method_code: int,
    cutoff_code: int,
) -> npt.NDArray[np.float64]:
    """Return the day on which heat summed from a moment of each draw reaches an amount."""
    draws = start.size
    days = tmax.shape[1]
    result = np.full(draws, math.inf)
    for k in range(draws):
        if math.isinf(start[k]):
            result[k] = start[k]
            continue
        m = member[k]
        left = amount[k]
        d = int(start[k])
        part = start[k] - d
        while d < days:
            value = _heat_on(d, tmin[m], tmax[m], base[k], upper, method_code, cutoff_code)
            if math.isnan(value):
                if d + 1 < days:
                    result[k] = math.nan
                break
            gain = value * (1.0 - part)
            if gain >= left:
                result[k] = d + part + (left / value if value > 0.0 else 0.0)
                break
            left -= gain
            part = 0.0
            d += 1
    return result


@compiled
def _heat_on(
    day: int,
    tmin: npt.NDArray[np.float64],
    tmax: npt.NDArray[np.float64],
    base: float,
    upper: float,
    method_code: int,
    cutoff_code: int,
) -> float:
    tmin_next = tmin[day + 1] if day + 1 < tmin.size else math.nan
    return day_heat(method_code, cutoff_code, tmin[day], tmax[day], tmin_next, base, upper)[0]
