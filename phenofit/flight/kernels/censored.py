r"""The chance of a trap-year some of whose counts are known only as "at least n" (a full trap, "moths seen").

Written by its totals' distribution: counts of a trap-year are negative binomial with shapes ``phi p_j`` and one
common odds ``pi``; given the sum of those counted, they are Dirichlet-multinomial whatever ``pi`` is, which is why
abundance drops out of counted records. A count known from below needs ``pi``: its logit is taken as equally likely
everywhere, the measure under which a record without such counts is Dirichlet-multinomial as before. With ``T`` moths
counted, ``A = phi (1 - sum p_c)`` and ``r_c = phi p_c``, the chance is

    prod_counted rising(phi p_j, n_j) / Gamma(T) * integral pi^T (1 - pi)^A prod_c P(N_c >= n_c) dlogit(pi).

The integrand falls at least exponentially to both sides and is analytic in a strip, so that evenly spaced points
give it to about ten digits (the trapezoidal rule: Trefethen and Weideman 2014, SIAM Rev. 56:385-458).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from phenofit.flight.kernels.arguments import CHANCE, INFORMATION, SLOPE, Floats, Ints
from phenofit.flight.kernels.gamma_ratios import log_rising
from phenofit.heat.compiled.compiler import compiled

_WIDEST = 0.7  # step on the logit scale: error below exp(-2 pi^2 / 0.7)
_GONE = 25.0  # a term of exp(-25) of the largest moves none of the ten digits
_STEPS = 120  # to each side: an abundance of more than exp(80) moths is none


@compiled
def _tail(n: int, r: float, log_pi: float, log_rest: float) -> tuple[float, float, float]:
    # P(N >= n) of the negative binomial of shape r, its slope in r, and n times the chance of n itself. Written as
    # 1 - P(0) less the chances of 1 .. n - 1, so that small shapes, all of whose terms are of order r, lose no digit.
    some = -math.expm1(r * log_rest)
    pi = math.exp(log_pi)
    log_term = r * log_rest
    term = math.exp(log_term)
    tail = some
    tail_r = -log_rest * term
    back = 0.0
    # Below the range of a double the terms are computed by their logarithms, else by their ratios.
    by_logs = log_term < -600.0
    for k in range(1, n + 1):
        back += 1.0 / (r + k - 1.0)
        ratio = (r + k - 1.0) / k
        if by_logs:
            log_term += math.log(ratio) + log_pi
            term = math.exp(log_term)
        else:
            term *= ratio * pi
        if k < n:
            tail -= term
            tail_r -= term * (back + log_rest)
    at = n * term
    if tail > 1e-6 * some:
        return tail, tail_r, at
    # Where the tail is small compared with its parts, the odds are small and the tail is a short sum.
    tail = 0.0
    tail_r = 0.0
    k = n
    while k < n + 5000:
        tail += term
        tail_r += term * (back + log_rest)
        if term < 1e-14 * tail:
            break
        back += 1.0 / (r + k)
        term *= (r + k) / (k + 1.0) * pi
        k += 1
    return max(tail, 1e-300), tail_r, at


class _Record(NamedTuple):
    """A trap-year with counts known from below; the shapes of these are ``concentration * chance``."""

    concentration: float
    total: int  # moths counted
    rest_shape: float
    counts: Ints
    is_open: Ints
    chance: Floats


@compiled
def _log_integrand(y: float, record: _Record, slopes: Floats) -> tuple[float, float, float, float]:
    # Log of the integrand at logit y, its slope and curvature in y; log(1 - pi); fills the slopes in the shapes r_c.
    total, rest_shape, chance = record.total, record.rest_shape, record.chance
    log_rest = -math.log1p(math.exp(y)) if y < 35.0 else -y
    log_pi = y + log_rest
    pi = math.exp(log_pi)
    value = total * log_pi + rest_shape * log_rest
    slope = total * (1.0 - pi) - rest_shape * pi
    bend = -(total + rest_shape) * pi * (1.0 - pi)
    for k in range(slopes.shape[0]):
        if record.is_open[k] == 0:
            continue
        r = record.concentration * chance[k]
        least = record.counts[k]
        tail, tail_r, at = _tail(least, r, log_pi, log_rest)
        value += math.log(tail)
        ratio = at / tail
        slope += ratio
        bend += ratio * (least * (1.0 - pi) - r * pi) - ratio * ratio
        slopes[k] = tail_r / tail
    return value, slope, bend, log_rest


@compiled
def censored(
    concentration: float, total: int, count: Ints, is_open: Ints, checks: Floats
) -> tuple[float, float]:
    """Return the log chance of a trap-year with counts known from below, and its slope in the log concentration."""
    n = count.shape[0]
    chance = checks[CHANCE]
    slopes = np.zeros(n)
    means = np.zeros(n)
    value = -math.lgamma(float(total))
    d_concentration = 0.0
    rest = 1.0
    for k in range(n):
        p = chance[k]
        if is_open[k] != 0:
            rest -= p
            continue
        rising, slope, second = log_rising(concentration * p, count[k])
        value += rising
        d_concentration += p * slope
        checks[SLOPE, k] = concentration * slope
        checks[INFORMATION, k] = concentration * concentration * second
    rest = max(rest, 1e-9)
    rest_shape = concentration * rest
    record = _Record(concentration, total, rest_shape, count, is_open, chance)

    # The top of the integrand, by Newton steps.
    y = math.log(total / rest_shape)
    bend = -1.0
    for _ in range(60):
        height, slope, bend, log_rest = _log_integrand(y, record, slopes)
        step = slope / max(-bend, 1e-3)
        step = max(-2.0, min(2.0, step))
        y += step
        if abs(step) < 1e-3 * min(1.0, 1.0 / math.sqrt(max(-bend, 1e-3))):
            break
    height, slope, bend, log_rest = _log_integrand(y, record, slopes)
    step = min(_WIDEST, 0.9 / math.sqrt(max(-bend, 1e-3)))
    area = 0.0
    mean_rest = 0.0
    for side in (-1.0, 1.0):
        k = 0 if side < 0.0 else 1
        while k < _STEPS:
            term, slope, _bend, log_rest = _log_integrand(y + side * k * step, record, slopes)
            weight = math.exp(term - height)
            area += weight
            mean_rest += weight * log_rest
            for c in range(n):
                means[c] += weight * slopes[c]
            if term < height - _GONE:
                break
            k += 1
    value += height + math.log(area * step)
    mean_rest /= area
    # d/dphi of phi (1 - sum p_c) and of the shapes phi p_c; then of each p_c, whose growth lessens the rest.
    d_concentration += rest * mean_rest
    for k in range(n):
        if is_open[k] == 0:
            continue
        mean = means[k] / area
        d_concentration += chance[k] * mean
        checks[SLOPE, k] = concentration * (mean - mean_rest)
        checks[INFORMATION, k] = concentration * concentration * mean * mean
    return float(value), concentration * d_concentration
