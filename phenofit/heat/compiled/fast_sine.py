"""Single-sine degree-days in float32 at the speed of memory, for grids.

Notes
-----
The cost of the sine day is its arc cosine. With z = (c - m)/a the excess above c is E = a phi(z), where
phi(z) = (sqrt(1 - z^2) - z arccos z)/pi, and two identities make it fast: phi(-z) = phi(z) + z, so only
[0, 1] matters, and there phi(z) = (1 - z)^(3/2) q(z) with q smooth. q is interpolated at the Chebyshev nodes of
[0, 1] by degree 5; phi is then off by at most 4.8e-8. What is left is one division, one square root and
multiplications without a branch, which the compiler turns into vector instructions. Together with the rounding of
float32 a day is off by less than 1e-5 degC d for temperatures between -60 and 60 degC.

The vertical cut-off is not done here: its slope is unbounded where the upper threshold meets the maximum, so the
rounding of float32 would show in the second decimal.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from phenofit.heat.compiled.compiler import compiled_fast

FAST_CUTOFFS = (0, 1, 2, 4)
"""Codes of the cut-offs that this module can do."""

Singles = npt.NDArray[np.float32]

_TINY = np.float32(1e-6)  # half-range of a day without range; keeps the division finite
_HALF = np.float32(0.5)
_ONE = np.float32(1.0)
_TWO = np.float32(2.0)
_ZERO = np.float32(0.0)

_Q0 = np.float32(0.3183098390478812)
_Q1 = np.float32(-0.022531746965741582)
_Q2 = np.float32(0.005944207137749983)
_Q3 = np.float32(-0.0022691191364804437)
_Q4 = np.float32(0.0008178150194751881)
_Q5 = np.float32(-0.00016558550228782954)


@compiled_fast
def _excess(c: np.float32, low: np.float32, mean: np.float32, half: np.float32) -> np.float32:
    """Return the excess above `c` of a sine day of the given minimum, mean and half-range."""
    z = (c - mean) / half
    z = min(max(z, -_ONE), _ONE)
    w = abs(z)
    t = _ONE - w
    q = _Q0 + w * (_Q1 + w * (_Q2 + w * (_Q3 + w * (_Q4 + w * _Q5))))
    # phi at z, mirrored for z < 0; below the minimum the excess goes on growing one for one.
    return np.float32(half * (t * np.sqrt(t) * q + max(-z, _ZERO)) + max(low - c, _ZERO))


@compiled_fast
def fast_sine_days(
    tmin: Singles, tmax: Singles, out: Singles, cutoff_code: int, base: np.float32, upper: np.float32
) -> int:
    """Write the single-sine degree-days of many days to `out`."""
    inverted = 0
    if cutoff_code == 0:
        for i in range(out.size):
            low, high = tmin[i], tmax[i]
            inverted += low > high
            half = _HALF * (high - low)
            half = max(half, _TINY)
            out[i] = _excess(base, low, _HALF * (low + high), half)
        return inverted
    # The three cut-offs are sums of excesses and differ in their weights only.
    weight = _ONE if cutoff_code == 1 else _TWO
    again = _ONE if cutoff_code == 4 else _ZERO
    second = _TWO * upper - base
    for i in range(out.size):
        low, high = tmin[i], tmax[i]
        inverted += low > high
        half = _HALF * (high - low)
        half = max(half, _TINY)
        mean = _HALF * (low + high)
        heat = _excess(base, low, mean, half) - weight * _excess(upper, low, mean, half)
        if again > _ZERO:
            heat += _excess(second, low, mean, half)
        out[i] = max(heat, _ZERO)
    return inverted
