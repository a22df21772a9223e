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
    4k+3 ..          effects of the covariates on the log requirement
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from phenofit.flight.curves import curve_point

__all__ = ["fill_curves", "gradient_size", "log_rising", "trap_year_chance"]

_FLOOR = 1e-12


def gradient_size(flights: int, covariates: int) -> int:
    """Return the length of a gradient (see the layout above)."""
    return 4 * flights + 3 + covariates


@njit(cache=True, error_model="numpy")
def _stirling(x: float) -> tuple[float, float, float]:
    # log Gamma and its first two derivatives for x >= 10: Stirling's series, error below 1e-15.
    r = 1.0 / x
    r2 = r * r
    gamma = (
        (x - 0.5) * math.log(x)
        - x
        + 0.9189385332046727418
        + r * (1.0 / 12 - r2 * (1.0 / 360 - r2 * (1.0 / 1260 - r2 * (1.0 / 1680 - r2 / 1188))))
    )
    psi = (
        math.log(x)
        - 0.5 * r
        - r2 * (1.0 / 12 - r2 * (1.0 / 120 - r2 * (1.0 / 252 - r2 * (1.0 / 240 - r2 / 132))))
    )
    tri = (
        r
        + 0.5 * r2
        + r2 * r * (1.0 / 6 - r2 * (1.0 / 30 - r2 * (1.0 / 42 - r2 * (1.0 / 30 - r2 * 5.0 / 66))))
    )
    return gamma, psi, tri


@njit(cache=True, error_model="numpy")
def log_rising(x: float, n: int) -> tuple[float, float, float]:
    """Return log Gamma(x + n) - log Gamma(x) and its first and minus second derivative in `x`.

    Parameters
    ----------
    x : float
        Positive.
    n : int
        Not negative.

    Returns
    -------
    tuple of float
        Sum of log(x + j), of 1/(x + j) and of 1/(x + j)^2 over j = 0 .. n - 1.
    """
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
        lo = _stirling(x + j)
        hi = _stirling(x + n)
        value += hi[0] - lo[0]
        first += hi[1] - lo[1]
        second += lo[2] - hi[2]
    return value, first, second


@njit(cache=True, error_model="numpy")
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
    work: np.ndarray,
    sums: np.ndarray,
) -> None:
    """Fill the flight curves of trap-year `i` at its edges; they depend on the shift, not on the flight sizes.

    Parameters
    ----------
    i : int
        Trap-year.
    shift : float
        Its shift [degC d].
    curve : int
        Flight curve, from ``CURVE_CODES``.
    requirement, spread : array, shape (flights,)
        Requirements and spreads [degC d].
    factor : float
        By which the covariates of this trap-year multiply the requirements.
    work : array, shape (5, flights, edges)
        Out: share flown and its slopes, see :func:`phenofit.flight.curves.curve_point`.
    sums : array, shape (5, flights)
        Out: sum over the edges by weight of the share, its slope in the median, in the requirement, in the log
        spread and in the base.
    """
    e0, e1 = edge_of[i], edge_of[i + 1]
    for k in range(5):
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


@njit(cache=True, error_model="numpy")
def trap_year_chance(
    i: int,
    log_size: np.ndarray,
    want_gradient: bool,
    requirement: np.ndarray,
    concentration: float,
    stray: float,
    factor: float,
    covariates: np.ndarray,
    edge_of: np.ndarray,
    edge_slope: np.ndarray,
    catch_of: np.ndarray,
    catch_left: np.ndarray,
    catch_right: np.ndarray,
    catch_count: np.ndarray,
    catch_effort: np.ndarray,
    catch_share: np.ndarray,
    total: int,
    work: np.ndarray,
    sums: np.ndarray,
    latent: np.ndarray,
    information: np.ndarray,
    gradient: np.ndarray,
) -> float:
    """Return the log chance of the counts of trap-year `i` at given flight sizes, its curves being filled in.

    The chance of interval j is ``p_j = (1 - e) a_j / sum(a) + e d_j`` with
    ``a_j = effort_j * sum_g w_g [G_g(h_right) - G_g(h_left)]``, `e` the stray share and `d_j` the interval's share
    of the trap's time and effort. The counts, given their total, are Dirichlet-multinomial with concentration
    phi (Mosimann 1962, Biometrika 49:65-82, from memory).

    Parameters
    ----------
    i : int
        Trap-year.
    log_size : array, shape (flights,)
        Log sizes of the flights against flight 1; the first is 0.
    want_gradient : bool
        Whether `gradient` is filled beside `latent` and `information`.
    work, sums : array
        Curves at this trap-year's shift, from :func:`fill_curves`.
    latent : array, shape (flights,)
        Out: slope in the shift, then in the log sizes of flights 2, 3, …
    information : array, shape (flights, flights)
        Out: expected-type curvature in the same, never negative.
    gradient : array, shape (gradient_size,)
        Out: slopes in base, requirements, log spreads, log concentration, stray logit, covariate effects.
        The places of the shift and size distributions are not touched.

    Returns
    -------
    float
        Natural logarithm of the chance, the multinomial coefficient left out (a constant of the data).
    """
    flights = requirement.shape[0]
    e0 = edge_of[i]
    size = np.empty(flights)
    top = log_size[0]
    for g in range(1, flights):
        top = max(top, log_size[g])
    norm = 0.0
    for g in range(flights):
        size[g] = math.exp(log_size[g] - top)
        norm += size[g]
    everything = 0.0
    every_shift = 0.0
    every_base = 0.0
    for g in range(flights):
        size[g] /= norm
        everything += size[g] * sums[0, g]
        every_shift += size[g] * sums[1, g]
        every_base += size[g] * sums[4, g]
    # A shift that moves the whole flight out of the observed time leaves nothing to divide by; the floor keeps
    # the number finite and tiny, and the prior of the shift takes the search back.
    inverse = 1.0 / max(everything, _FLOOR)

    for g in range(flights):
        latent[g] = 0.0
        for f in range(flights):
            information[g, f] = 0.0
    if want_gradient:
        for k in range(gradient.shape[0]):
            gradient[k] = 0.0
    q_latent = np.empty(flights)
    value = 0.0
    d_concentration = 0.0
    keep = 1.0 - stray
    for j in range(catch_of[i], catch_of[i + 1]):
        left, right, effort = catch_left[j] - e0, catch_right[j] - e0, catch_effort[j]
        a = 0.0
        a_shift = 0.0
        for g in range(flights):
            a += size[g] * effort * (work[0, g, right] - work[0, g, left])
            a_shift += size[g] * effort * (work[2, g, right] - work[2, g, left])
        q = a * inverse
        p = max(keep * q + stray * catch_share[j], _FLOOR)
        x = concentration * p
        rising, first, second = log_rising(x, catch_count[j])
        value += rising
        d_concentration += p * first
        dp = keep * concentration * first
        q_latent[0] = (a_shift - q * every_shift) * inverse
        for g in range(1, flights):
            delta = effort * (work[0, g, right] - work[0, g, left])
            q_latent[g] = size[g] * ((delta - a) - q * (sums[0, g] - everything)) * inverse
        curvature = keep * keep * concentration * concentration * second
        for g in range(flights):
            latent[g] += dp * q_latent[g]
            for f in range(flights):
                information[g, f] += curvature * q_latent[g] * q_latent[f]
        if want_gradient:
            a_base = 0.0
            for g in range(flights):
                a_base += (
                    size[g]
                    * effort
                    * (
                        work[1, g, right] * edge_slope[catch_right[j]]
                        - work[1, g, left] * edge_slope[catch_left[j]]
                    )
                )
                q_m = (
                    effort * (work[2, g, right] + work[3, g, right] - work[2, g, left] - work[3, g, left])
                    - q * sums[2, g]
                )
                gradient[1 + g] += dp * size[g] * inverse * q_m * factor
                q_s = effort * (work[4, g, right] - work[4, g, left]) - q * sums[3, g]
                gradient[1 + flights + g] += dp * size[g] * inverse * q_s
            gradient[0] += dp * (a_base - q * every_base) * inverse
            gradient[4 * flights + 2] += concentration * first * (catch_share[j] - q) * stray * keep
    rising, first, second = log_rising(concentration, total)
    value -= rising
    if want_gradient:
        gradient[2 * flights + 1] = concentration * (d_concentration - first)
        moved = 0.0
        for g in range(flights):
            moved += gradient[1 + g] * requirement[g]
        for c in range(covariates.shape[0]):
            gradient[4 * flights + 3 + c] = moved * covariates[c]
    return value
