"""Ratios of gamma functions at whole steps, with slopes, compiled."""

from __future__ import annotations

import math

from phenofit.heat.compiled.compiler import compiled


@compiled
def _tails(x: float) -> tuple[float, float, float]:
    # What Stirling's series adds to the leading terms of log Gamma and its first two derivatives, for x >= 10.
    r = 1.0 / x
    r2 = r * r
    gamma = r * (1.0 / 12 - r2 * (1.0 / 360 - r2 * (1.0 / 1260 - r2 * (1.0 / 1680 - r2 / 1188))))
    psi = -0.5 * r - r2 * (1.0 / 12 - r2 * (1.0 / 120 - r2 * (1.0 / 252 - r2 * (1.0 / 240 - r2 / 132))))
    tri = 0.5 * r2 + r2 * r * (1.0 / 6 - r2 * (1.0 / 30 - r2 * (1.0 / 42 - r2 * (1.0 / 30 - r2 * 5.0 / 66))))
    return gamma, psi, tri


@compiled
def log_rising(x: float, n: int) -> tuple[float, float, float]:
    """Return log Gamma(x + n) - log Gamma(x) and its first and minus second derivative in `x`."""
    value = 0.0
    first = 0.0
    second = 0.0
    j = 0
    product = 1.0
    while j < n and (n <= 16 or x + j < 10.0):
        t = x + j
        product *= t
        r = 1.0 / t
        first += r
        second += r * r
        j += 1
        if product > 1e200 or product < 1e-200:
            value += math.log(product)
            product = 1.0
    value += math.log(product)
    if j < n:
        low, rest = x + j, n - j
        here, there = _tails(low), _tails(x + n)
        # The leading terms are subtracted analytically: as numbers they would cancel to zero at a large x.
        grown = math.log1p(rest / low)
        value += rest * math.log(low) + ((x + n - 0.5) * grown - rest) + (there[0] - here[0])
        first += grown + (there[1] - here[1])
        second += rest / (low * (x + n)) + (here[2] - there[2])
    return value, first, second
