"""The chance of one trap-year's counts, given the heat at its checks: Dirichlet-multinomial, with slopes.

Layout of the compiled arrays. A trap-year `i` owns the edges ``edge_of[i] : edge_of[i + 1]`` (the check times at
which the curve is needed) and the catches ``catch_of[i] : catch_of[i + 1]`` (the intervals with at least one
moth). An interval without a moth enters only through the sum of all chances; that sum telescopes, so that an edge
between two intervals of equal effort is needed only beside a catch.

Layout of a gradient with `k` flights and `c` covariates::

    0                base
    1 .. k           requirement of each flight
    k+1 .. 2k        log spread of each flight
    2k+1             log concentration
    2k+2             log SD of the group (year or site) shift
    2k+3             log SD of the trap-year shift
    2k+4 .. 3k+2     mean log size of flights 2..k against flight 1
    3k+3 .. 4k+1     log SD of those log sizes
    4k+2             logit of the stray share
    4k+3             upper threshold
    4k+4             log SD of the second group's shift, where years and sites cross
    4k+5             mean log abundance   (records of presence only)
    4k+6             log SD of the log abundance (records of presence only)
    4k+7 ..          effects of the covariates on the log requirement
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from phenofit.flight.kernels.censored import censored
from phenofit.flight.kernels.curves import curve_point
from phenofit.flight.kernels.gamma_ratios import log_rising
from phenofit.flight.kernels.presence import presence
from phenofit.heat.compiled.compiler import compiled

__all__ = ["ARGUMENTS", "FIXED_TAIL", "fill_curves", "gradient_size", "trap_year_chance"]

_FLOOR = 1e-12
FIXED_TAIL = 7
"""Entries of a gradient beyond the 4 k of the flights, covariates not counted."""

ARGUMENTS = (
    "curve", "requirement", "spread", "concentration", "stray", "mean_size", "factors", "covariates",
    "edge_of", "edge_heat", "edge_slope", "edge_weight",
    "catch_of", "catch_left", "catch_right", "catch_count", "catch_effort", "catch_share",
    "totals", "edge_upper", "whole", "catch_open", "kind", "any_open",
)  # fmt: skip
"""Order of the parameters and data that the compiled code takes as one tuple.

``whole`` is added to the sum of all chances of a trap-year (1 where the time beyond the last check counts too),
``catch_open`` marks counts that are known only from below, ``any_open`` the trap-years that have such, and ``kind``
is 0 for counts and 1 for records of presence.
"""


def gradient_size(flights: int, covariates: int) -> int:
    """Return the length of a gradient (see the layout above)."""
    return 4 * flights + FIXED_TAIL + covariates


@compiled
def fill_curves(
    i: int,
    shift: float,
    curve: int,
    requirement: np.ndarray,
    spread: np.ndarray,
    factor: float,
    edge_of: np.ndarray,
    edge_heat: np.ndarray,
    edge_slope: np.ndarray,
    edge_weight: np.ndarray,
    edge_upper: np.ndarray,
    work: np.ndarray,
    sums: np.ndarray,
) -> None:
    """Fill the flight curves of trap-year `i` at its edges; they depend on the shift, not on the flight sizes."""
    e0, e1 = edge_of[i], edge_of[i + 1]
    for k in range(6):
        for g in range(requirement.shape[0]):
            sums[k, g] = 0.0
    for g in range(requirement.shape[0]):
        m = requirement[g] * factor
        for e in range(e0, e1):
            share, d_heat, d_median, d_m, d_spread = curve_point(curve, edge_heat[e], m + shift, m, spread[g])
            k = e - e0
            work[0, g, k] = share
            work[1, g, k] = d_heat
            work[2, g, k] = d_median
            work[3, g, k] = d_m
            work[4, g, k] = d_spread
            c = edge_weight[e]
            if c != 0.0:
                sums[0, g] += c * share
                sums[1, g] += c * d_median
                sums[2, g] += c * (d_median + d_m)
                sums[3, g] += c * d_spread
                sums[4, g] += c * d_heat * edge_slope[e]
                sums[5, g] += c * d_heat * edge_upper[e]


@compiled
def _counted(
    concentration: float, total: int, first: int, count: np.ndarray, chance: np.ndarray, n: int
) -> float:
    # Dirichlet-multinomial: log chance; fills the slope in each p and minus its curvature. Returns the value and
    # leaves the slope in the log concentration in the last place of row 2.
    value = 0.0
    d_concentration = 0.0
    for k in range(n):
        p = chance[0, k]
        rising, slope, second = log_rising(concentration * p, count[first + k])
        value += rising
        d_concentration += p * slope
        chance[2, k] = concentration * slope
        chance[3, k] = concentration * concentration * second
    rising, slope, second = log_rising(concentration, total)
    chance[2, n] = concentration * (d_concentration - slope)
    return value - rising


@compiled
def trap_year_chance(
    i: int,
    log_size: np.ndarray,
    log_abundance: float,
    want_gradient: bool,
    args: Any,
    work: np.ndarray,
    sums: np.ndarray,
    chance: np.ndarray,
    latent: np.ndarray,
    information: np.ndarray,
    gradient: np.ndarray,
) -> float:
    """Return the log chance of the counts of trap-year `i` at given flight sizes, its curves being filled in.

    The chance of interval j is ``p_j = (1 - e) a_j / sum(a) + e d_j`` with
    ``a_j = effort_j * sum_g w_g [G_g(h_right) - G_g(h_left)]``, `e` the stray share and `d_j` the interval's share
    of the trap's time and effort. The counts, given their total, are Dirichlet-multinomial with concentration
    phi (Mosimann 1962, Biometrika 49:65-82); see :mod:`phenofit.flight.kernels.censored` for counts known
    only as "at least n", and :mod:`phenofit.flight.kernels.presence` for records of presence.
    """
    requirement, concentration, stray, factor = args[1], args[3], args[4], args[6][i]
    edge_slope, edge_upper = args[10], args[19]
    catch_left, catch_right, catch_count = args[13], args[14], args[15]
    catch_effort, catch_share = args[16], args[17]
    flights = requirement.shape[0]
    e0 = args[8][i]
    size = chance[4]
    top = log_size[0]
    for g in range(1, flights):
        top = max(top, log_size[g])
    norm = 0.0
    for g in range(flights):
        size[g] = math.exp(log_size[g] - top)
        norm += size[g]
    everything = args[20][i]
    every_shift = 0.0
    every_base = 0.0
    every_upper = 0.0
    for g in range(flights):
        size[g] /= norm
        everything += size[g] * sums[0, g]
        every_shift += size[g] * sums[1, g]
        every_base += size[g] * sums[4, g]
        every_upper += size[g] * sums[5, g]
    # A shift that moves the whole flight out of the observed time leaves nothing to divide by; the floor keeps
    # the number finite and tiny, and the prior of the shift takes the search back.
    inverse = 1.0 / max(everything, _FLOOR)

    for g in range(latent.shape[0]):
        latent[g] = 0.0
        for f in range(latent.shape[0]):
            information[g, f] = 0.0
    if want_gradient:
        for k in range(gradient.shape[0]):
            gradient[k] = 0.0
    keep = 1.0 - stray
    first = args[12][i]
    n = args[12][i + 1] - first
    for k in range(n):
        j = first + k
        left, right = catch_left[j] - e0, catch_right[j] - e0
        a = 0.0
        for g in range(flights):
            a += size[g] * catch_effort[j] * (work[0, g, right] - work[0, g, left])
        chance[1, k] = a
        chance[0, k] = max(keep * a * inverse + stray * catch_share[j], _FLOOR)
    if args[22] == 1:
        value = presence(log_abundance, chance, n, latent, information)
    elif args[23][i] > 0:
        value = censored(concentration, args[18][i], first, catch_count, args[21], chance, n)
    else:
        value = _counted(concentration, args[18][i], first, catch_count, chance, n)
    if want_gradient:
        gradient[2 * flights + 1] = chance[2, n]

    q_latent = chance[5]
    for k in range(n):
        j = first + k
        left, right, effort = catch_left[j] - e0, catch_right[j] - e0, catch_effort[j]
        a = chance[1, k]
        q = a * inverse
        a_shift = 0.0
        for g in range(flights):
            a_shift += size[g] * effort * (work[2, g, right] - work[2, g, left])
        dp = keep * chance[2, k]
        q_latent[0] = (a_shift - q * every_shift) * inverse
        for g in range(1, flights):
            delta = effort * (work[0, g, right] - work[0, g, left])
            q_latent[g] = size[g] * ((delta - a) - q * (sums[0, g] + args[20][i] - everything)) * inverse
        curvature = keep * keep * chance[3, k]
        for g in range(flights):
            latent[g] += dp * q_latent[g]
            for f in range(flights):
                information[g, f] += curvature * q_latent[g] * q_latent[f]
        if want_gradient:
            a_base = 0.0
            a_upper = 0.0
            for g in range(flights):
                from_right = size[g] * effort * work[1, g, right]
                from_left = size[g] * effort * work[1, g, left]
                a_base += from_right * edge_slope[catch_right[j]] - from_left * edge_slope[catch_left[j]]
                a_upper += from_right * edge_upper[catch_right[j]] - from_left * edge_upper[catch_left[j]]
                q_m = (
                    effort * (work[2, g, right] + work[3, g, right] - work[2, g, left] - work[3, g, left])
                    - q * sums[2, g]
                )
                gradient[1 + g] += dp * size[g] * inverse * q_m * factor
                q_s = effort * (work[4, g, right] - work[4, g, left]) - q * sums[3, g]
                gradient[1 + flights + g] += dp * size[g] * inverse * q_s
            gradient[0] += dp * (a_base - q * every_base) * inverse
            gradient[4 * flights + 3] += dp * (a_upper - q * every_upper) * inverse
            gradient[4 * flights + 2] += chance[2, k] * (catch_share[j] - q) * stray * keep
    if want_gradient:
        moved = 0.0
        for g in range(flights):
            moved += gradient[1 + g] * requirement[g]
        covariates = args[7]
        for c in range(covariates.shape[1]):
            gradient[4 * flights + FIXED_TAIL + c] = moved * covariates[i, c]
    return value
