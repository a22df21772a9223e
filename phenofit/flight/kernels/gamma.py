"""The regularised incomplete gamma function with both slopes, and the median of a gamma distribution, compiled.

`scipy` has the function but not its slope in the shape, and cannot be called from compiled code; the tests compare
this with `scipy.special` and central differences.
"""

from __future__ import annotations

import math

from phenofit.heat.compiled.compiler import compiled

SMALLEST_SHAPE = 1.1e-3  # the median of smaller shapes is below the smallest number
_NOTHING = -40.0  # log of a share that changes no digit of 1


@compiled
def psi(x: float) -> float:
    """Return the digamma function of a positive number: recurrence to 10, then the asymptotic series."""
    shift = 0.0
    while x < 10.0:
        shift -= 1.0 / x
        x += 1.0
    r = 1.0 / x
    r2 = r * r
    return (
        shift
        + math.log(x)
        - 0.5 * r
        - r2 * (1.0 / 12 - r2 * (1.0 / 120 - r2 * (1.0 / 252 - r2 * (1.0 / 240 - r2 / 132))))
    )


@compiled
def gamma_share(a: float, x: float) -> tuple[float, float, float]:
    """Return the regularised lower incomplete gamma function and its slopes in `x` and in `a`."""
    if x <= 0.0:
        return 0.0, 0.0, 0.0
    log_front = a * math.log(x) - x - math.lgamma(a)
    # What is left beyond x is at most this over x - a + 1, what is flown before at most this over a - x or over a.
    if log_front < _NOTHING:
        return (0.0 if x < a else 1.0), 0.0, 0.0
    term = 1.0 / a
    back = 1.0 / a
    total = term
    moved = term * back
    n = a
    while True:
        n += 1.0
        inverse = 1.0 / n
        term *= x * inverse
        back += inverse
        total += term
        moved += term * back
        if term * back < 1e-17 * moved and n > x:
            break
    front = math.exp(log_front)
    share = front * total
    return min(share, 1.0), front / x, share * (math.log(x) - psi(a)) - front * moved


@compiled
def gamma_median(a: float) -> tuple[float, float]:
    """Return the median of the gamma distribution of scale 1, and its slope in the shape `a`."""
    # Asymptotic series (Choi 1994, Proc. Am. Math. Soc. 121:245-251); for small shapes, Newton steps from there.
    if a > 30.0:
        r = 1.0 / a
        median = a - 1.0 / 3 + r * (8.0 / 405 + r * (184.0 / 25515 + r * (2248.0 / 3444525)))
        slope = 1.0 - r * r * (8.0 / 405 + r * (2.0 * 184.0 / 25515 + r * (3.0 * 2248.0 / 3444525)))
        return median, slope
    # In the logarithm the steps cannot leave the positive numbers; tiny shapes start from P(a, x) ~ x^a / Gamma(a + 1).
    y = math.log(a - 1.0 / 3 + 8.0 / (405 * a)) if a > 0.6 else (math.lgamma(a + 1.0) - math.log(2.0)) / a
    for _ in range(60):
        share, d_x, _d_a = gamma_share(a, math.exp(y))
        step = (share - 0.5) / max(d_x * math.exp(y), 1e-300)
        step = max(-1.0, min(1.0, step))
        y -= step
        if abs(step) < 1e-14:
            break
    median = math.exp(y)
    _share, d_x, d_a = gamma_share(a, median)
    return median, -d_a / d_x
