"""Day heat by numerical integration of the rate over the course of the day: an independent reference."""

from __future__ import annotations

import itertools
import math
from typing import Any

import numba
from scipy import LowLevelCallable, integrate

from phenofit.heat.compiled.daily_kernels import CUTOFF_CODES


@numba.cfunc("float64(intc, CPointer(float64))", cache=True)
def _rate(count: int, x: Any) -> Any:
    # x: moment in [0, 1] from maximum to minimum, low, high, base, upper, cut-off, shape (1 sine, 0 triangle)
    half = 0.5 * (x[2] - x[1])
    middle = 0.5 * (x[1] + x[2])
    course = math.cos(math.pi * x[0]) if x[6] > 0.5 else 1.0 - 2.0 * x[0]
    warmth = middle + half * course
    above = max(warmth - x[3], 0.0)
    cutoff = int(x[5])
    over = max(warmth - x[4], 0.0)
    if cutoff == 1:
        return above - over
    if cutoff == 2:
        return above - 2.0 * over
    if cutoff == 3:
        return above if warmth <= x[4] else 0.0
    if cutoff == 4:
        return max(above - 2.0 * over, 0.0)
    return above


_CALL: Any = LowLevelCallable(_rate.ctypes)  # type: ignore[call-overload]


def _moment(c: float, low: float, high: float, *, sine: bool) -> float:
    """Return when the falling temperature meets `c`, bracketed by bisection so that no formula is shared."""
    if not low < c < high:
        return 0.0
    a, b = 0.0, 1.0
    for _ in range(60):
        m = 0.5 * (a + b)
        course = math.cos(math.pi * m) if sine else 1.0 - 2.0 * m
        if 0.5 * (low + high) + 0.5 * (high - low) * course > c:
            a = m
        else:
            b = m
    return 0.5 * (a + b)


def quadrature_half(low: float, high: float, base: float, upper: float, cutoff: str, *, sine: bool) -> float:
    """Return the heat of one shape [degC d] by adaptive quadrature between the crossings, not floored."""
    crossings = (_moment(c, low, high, sine=sine) for c in (base, upper, 2.0 * upper - base))
    edges = sorted({0.0, 1.0, *crossings})
    arguments = (low, high, base, upper, float(CUTOFF_CODES[cutoff]), float(sine))
    total = 0.0
    for first, last in itertools.pairwise(edges):
        if last - first > 1e-15:
            total += integrate.quad(_CALL, first, last, args=arguments, epsabs=1e-13, epsrel=1e-13)[0]
    return total


def quadrature_day(
    method: str, cutoff: str, tmin: float, tmax: float, tmin_next: float, base: float, upper: float
) -> float:
    """Return the heat of a sine or triangular day [degC d], single or double, by quadrature."""
    sine = method.endswith("sine")
    value = quadrature_half(tmin, tmax, base, upper, cutoff, sine=sine)
    if method.startswith("double"):
        low, high = sorted((tmin_next, tmax))
        value = 0.5 * (value + quadrature_half(low, high, base, upper, cutoff, sine=sine))
    return max(value, 0.0)
