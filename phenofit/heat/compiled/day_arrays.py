"""Degree-days of arrays of days, from extremes or from readings within the day (compiled)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from phenofit.heat.compiled.compiler import compiled
from phenofit.heat.compiled.daily_kernels import day_heat, shape_heat

Floats = npt.NDArray[np.floating]


@compiled
def exact_days(
    tmin: Floats,
    tmax: Floats,
    tmin_next: Floats,
    out: Floats,
    method: int,
    cutoff: int,
    base: float,
    upper: float,
) -> int:
    """Fill `out` and return the number of days with the minimum above the maximum."""
    inverted = 0
    for i in range(out.size):
        low, high = np.float64(tmin[i]), np.float64(tmax[i])
        if low > high:
            inverted += 1
        out[i] = day_heat(method, cutoff, low, high, np.float64(tmin_next[i]), base, upper)[0]
    return inverted


@compiled
def exact_slopes(
    tmin: Floats,
    tmax: Floats,
    tmin_next: Floats,
    out: Floats,
    d_base: Floats,
    d_upper: Floats,
    method: int,
    cutoff: int,
    base: float,
    upper: float,
) -> int:
    """Fill `out` and its slopes; return the number of days with the minimum above the maximum."""
    inverted = 0
    for i in range(out.size):
        low, high = np.float64(tmin[i]), np.float64(tmax[i])
        if low > high:
            inverted += 1
        out[i], d_base[i], d_upper[i] = day_heat(
            method, cutoff, low, high, np.float64(tmin_next[i]), base, upper
        )
    return inverted


@compiled
def hourly_days(
    readings: npt.NDArray[np.float64],
    per_day: int,
    lines: bool,
    cutoff: int,
    base: float,
    upper: float,
    out: npt.NDArray[np.float64],
) -> None:
    """Fill `out` (cells, days) from readings (cells, days * per_day, and one more for lines)."""
    cells, days = out.shape
    for i in range(cells):
        for d in range(days):
            total = 0.0
            for k in range(d * per_day, (d + 1) * per_day):
                this = readings[i, k]
                then = readings[i, k + 1] if lines else this
                if np.isnan(this) or np.isnan(then):
                    total = np.nan
                    break
                total += shape_heat(False, cutoff, min(this, then), max(this, then), base, upper)[0]
            # Not by max(): it would lose the NaN of a day with a missing reading.
            out[i, d] = 0.0 if total < 0.0 else total / per_day
