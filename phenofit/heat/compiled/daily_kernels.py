"""Degree-days of one day in closed form, with their slopes, for every method and cut-off (compiled).

The functions here take and return plain numbers in degrees Celsius, do no checks, and may be called from other
compiled code. The caller ensures that base < upper and that method and cut-off are compatible
(:func:`phenofit.heat.settings.check_method`).

Notes
-----
For a day between minimum n and maximum x write E(c) for the mean excess above c, F(c) for the fraction of the
day above c and f(c) for the density of temperature at c; then E' = -F and F' = -f, whatever the shape. Sine day,
with m = (n + x)/2, a = (x - n)/2 and g = arccos((c - m)/a)::

    E(c) = (a sin g + (m - c) g) / pi        F(c) = g / pi        f(c) = 1 / (pi a sin g)

Triangular day::

    E(c) = (x - c)^2 / (2 (x - n))           F(c) = (x - c) / (x - n)        f(c) = 1 / (x - n)

and below n the excess is m - c, above x it is zero. With base b and upper threshold u the day's heat is

=====================  =============================  ===================  ======================
cut-off                heat                           slope in b           slope in u
=====================  =============================  ===================  ======================
none                   E(b)                           -F(b)                0
horizontal             E(b) - E(u)                    -F(b)                F(u)
intermediate           E(b) - 2 E(u), not below 0     -F(b)                2 F(u)
vertical               E(b) - E(u) - (u - b) F(u)     -F(b) + F(u)         (u - b) f(u)
floored intermediate   E(b) - 2 E(u) + E(2u - b)      -F(b) + F(2u - b)    2 F(u) - 2 F(2u - b)
=====================  =============================  ===================  ======================
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import numpy.typing as npt

from phenofit.heat.compiled.compiler import compiled

METHOD_CODES: Final[dict[str, int]] = {
    "simple average": 0,
    "clipped average": 1,
    "capped average": 2,
    "single sine": 3,
    "double sine": 4,
    "single triangle": 5,
    "double triangle": 6,
}
"""Codes of the methods that work on daily minima and maxima."""

CUTOFF_CODES: Final[dict[str, int]] = {
    "none": 0,
    "horizontal": 1,
    "intermediate": 2,
    "vertical": 3,
    "floored intermediate": 4,
}
"""Codes of the cut-offs at the upper threshold."""

Heat = tuple[float, float, float]


@compiled
def sine_excess(c: float, low: float, high: float) -> Heat:
    """Return (E, F, f) of a sine day between `low` and `high` above the threshold `c`."""
    if c >= high:
        return 0.0, 0.0, 0.0
    mean = 0.5 * (low + high)
    if c <= low:
        return mean - c, 1.0, 0.0
    half = 0.5 * (high - low)
    z = (c - mean) / half
    angle = math.acos(min(1.0, max(-1.0, z)))
    sine = math.sqrt(max(0.0, (1.0 - z) * (1.0 + z)))
    density = 1.0 / (math.pi * half * sine) if sine > 0.0 else 0.0
    return (half * sine + (mean - c) * angle) / math.pi, angle / math.pi, density


@compiled
def triangle_excess(c: float, low: float, high: float) -> Heat:
    """Return (E, F, f) of a triangular day between `low` and `high` above the threshold `c`."""
    if c >= high:
        return 0.0, 0.0, 0.0
    if c <= low:
        return 0.5 * (low + high) - c, 1.0, 0.0
    span = high - low
    above = high - c
    return 0.5 * above * above / span, above / span, 1.0 / span


@compiled
def shape_excess(sine: bool, c: float, low: float, high: float) -> Heat:
    """Return (E, F, f) of a sine day or, where `sine` is false, of a triangular day."""
    if sine:
        return sine_excess(c, low, high)
    return triangle_excess(c, low, high)


@compiled
def shape_heat(sine: bool, cutoff_code: int, low: float, high: float, base: float, upper: float) -> Heat:
    """Return heat and slopes of one shape; the total of the intermediate cut-off is not yet floored."""
    e_b, f_b, _ = shape_excess(sine, base, low, high)
    if cutoff_code == 0:
        return e_b, -f_b, 0.0
    e_u, f_u, density = shape_excess(sine, upper, low, high)
    if cutoff_code == 1:
        return e_b - e_u, -f_b, f_u
    if cutoff_code == 2:
        return e_b - 2.0 * e_u, -f_b, 2.0 * f_u
    if cutoff_code == 3:
        return e_b - e_u - (upper - base) * f_u, f_u - f_b, (upper - base) * density
    e_w, f_w, _ = shape_excess(sine, 2.0 * upper - base, low, high)
    return e_b - 2.0 * e_u + e_w, f_w - f_b, 2.0 * (f_u - f_w)


@compiled
def average_heat(
    method_code: int, cutoff_code: int, low: float, high: float, base: float, top: float
) -> Heat:
    """Return heat and slopes of the three averages; `top` is the upper threshold."""
    upper = math.inf if cutoff_code == 0 else top
    if method_code == 1:
        clipped_low = min(max(low, base), upper)
        clipped_high = min(max(high, base), upper)
        d_base = -1.0
        d_upper = 0.0
        for value in (low, high):
            if value < base:
                d_base += 0.5
            elif value > upper:
                d_upper += 0.5
        return 0.5 * (clipped_low + clipped_high) - base, d_base, d_upper
    mean = 0.5 * (low + high)
    if mean <= base:
        return 0.0, 0.0, 0.0
    if method_code == 2 and mean > upper:
        return upper - base, -1.0, 1.0
    return mean - base, -1.0, 0.0


@compiled
def day_heat(
    method_code: int, cutoff_code: int, tmin: float, tmax: float, tmin_next: float, base: float, upper: float
) -> Heat:
    """Return the degree-days of one day and their slopes in base and upper threshold."""
    if math.isnan(tmin) or math.isnan(tmax):
        return math.nan, math.nan, math.nan
    if method_code <= 2:
        return average_heat(method_code, cutoff_code, tmin, tmax, base, upper)
    sine = method_code <= 4
    heat, d_base, d_upper = shape_heat(sine, cutoff_code, tmin, tmax, base, upper)
    if method_code == 4 or method_code == 6:
        if math.isnan(tmin_next):
            return math.nan, math.nan, math.nan
        low = min(tmin_next, tmax)
        high = max(tmin_next, tmax)
        second, second_base, second_upper = shape_heat(sine, cutoff_code, low, high, base, upper)
        heat = 0.5 * (heat + second)
        d_base = 0.5 * (d_base + second_base)
        d_upper = 0.5 * (d_upper + second_upper)
    if heat <= 0.0:
        # Only the intermediate cut-off falls below zero; elsewhere this removes rounding.
        return 0.0, 0.0 if cutoff_code == 2 else d_base, 0.0 if cutoff_code == 2 else d_upper
    return heat, d_base, d_upper


@compiled
def running_heat(
    tmin: npt.NDArray[np.float64],
    tmax: npt.NDArray[np.float64],
    base: float,
    upper: float,
    method_code: int,
    cutoff_code: int,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return running heat sums of several series at the midnights between their days, with slopes."""
    series, days = tmax.shape
    heat = np.zeros((series, days + 1))
    d_base = np.zeros((series, days + 1))
    d_upper = np.zeros((series, days + 1))
    for i in range(series):
        for d in range(days):
            tmin_next = tmin[i, d + 1] if d + 1 < tmin.shape[1] else math.nan
            value, slope_base, slope_upper = day_heat(
                method_code, cutoff_code, tmin[i, d], tmax[i, d], tmin_next, base, upper
            )
            heat[i, d + 1] = heat[i, d] + value
            d_base[i, d + 1] = d_base[i, d] + slope_base
            d_upper[i, d + 1] = d_upper[i, d] + slope_upper
    return heat, d_base, d_upper
