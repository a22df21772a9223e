"""The chance of one trap-year's counts, given the heat at its checks: Dirichlet-multinomial, with slopes.

The chance of interval j is ``p_j = (1 - e) a_j / sum(a) + e d_j`` with
``a_j = effort_j * sum_g w_g [G_g(h_right) - G_g(h_left)]``, `e` the stray share and `d_j` the interval's share of the
trap's time and effort. The counts, given their total, are Dirichlet-multinomial with concentration phi (Mosimann 1962,
Biometrika 49:65-82). Counts known only as "at least n" are in ``censored``, records of presence in ``presence``.
"""

from __future__ import annotations

import math

from phenofit.flight.kernels.arguments import (
    BY_HEAT,
    BY_LATENT,
    BY_MEDIAN,
    BY_REQUIREMENT,
    BY_SPREAD,
    CHANCE,
    FLOWN,
    INFORMATION,
    LOG_SIZE,
    PRESENCE,
    SHARE,
    SIZE,
    SLOPE,
    SUM_BASE,
    SUM_REQUIREMENT,
    SUM_SHARE,
    SUM_SHIFT,
    SUM_SPREAD,
    SUM_UPPER,
    Edges,
    FlightCurves,
    Floats,
    Ints,
    ModelValues,
    TrapRecords,
    Workspace,
)
from phenofit.flight.kernels.censored import censored
from phenofit.flight.kernels.curves import curve_point
from phenofit.flight.kernels.gamma_ratios import log_rising
from phenofit.flight.kernels.presence import presence
from phenofit.heat.compiled.compiler import compiled

_FLOOR = 1e-12


@compiled
def fill_curves(
    i: int, shift: float, edges: Edges, flights: FlightCurves, curves: Floats, by_flight: Floats
) -> None:
    """Fill the flight curves of trap-year `i` at its edges; they depend on the shift, not on the flight sizes."""
    requirement, spread = flights.requirement, flights.spread
    # Arrays are taken out of their tuples before the loops: compiled code counts references at each access.
    heat, by_base, by_upper, weight = edges.heat, edges.by_base, edges.by_upper, edges.weight
    code, factor = flights.code, flights.factors[i]
    e0, e1 = edges.edge_of[i], edges.edge_of[i + 1]
    for g in range(requirement.shape[0]):
        m = requirement[g] * factor
        for p in range(SUM_SHARE, SUM_UPPER + 1):
            by_flight[p, g] = 0.0
        for e in range(e0, e1):
            flown, d_heat, d_median, d_m, d_spread = curve_point(code, heat[e], m + shift, m, spread[g])
            k = e - e0
            curves[SHARE, g, k] = flown
            curves[BY_HEAT, g, k] = d_heat
            curves[BY_MEDIAN, g, k] = d_median
            curves[BY_REQUIREMENT, g, k] = d_m
            curves[BY_SPREAD, g, k] = d_spread
            c = weight[e]
            if c != 0.0:
                by_flight[SUM_SHARE, g] += c * flown
                by_flight[SUM_SHIFT, g] += c * d_median
                by_flight[SUM_REQUIREMENT, g] += c * (d_median + d_m)
                by_flight[SUM_SPREAD, g] += c * d_spread
                by_flight[SUM_BASE, g] += c * d_heat * by_base[e]
                by_flight[SUM_UPPER, g] += c * d_heat * by_upper[e]


@compiled
def _counted(
    concentration: float, total: int, first: int, n: int, counts: Ints, checks: Floats
) -> tuple[float, float]:
    # Dirichlet-multinomial: log chance, and its slope in the log concentration.
    value = 0.0
    d_concentration = 0.0
    for k in range(n):
        p = checks[CHANCE, k]
        rising, slope, second = log_rising(concentration * p, counts[first + k])
        value += rising
        d_concentration += p * slope
        checks[SLOPE, k] = concentration * slope
        checks[INFORMATION, k] = concentration * concentration * second
    rising, slope, second = log_rising(concentration, total)
    return value - rising, concentration * (d_concentration - slope)


@compiled
def trap_year_chance(
    i: int,
    log_abundance: float,
    want_gradient: bool,
    records: TrapRecords,
    values: ModelValues,
    room: Workspace,
) -> float:
    """Return the log chance of the counts of trap-year `i` at given flight sizes; its curves must be filled."""
    curves, by_flight, checks = room.curves, room.by_flight, room.checks
    latent, information, gradient = room.latent, room.information, room.gradient
    by_base, by_upper, factor = values.edges.by_base, values.edges.by_upper, values.curves.factors[i]
    lefts, rights, efforts, shares = records.left, records.right, records.effort, records.share
    whole = records.whole[i]
    requirement, covariates = values.curves.requirement, records.covariates
    places, stray = room.places, values.stray
    flights = requirement.shape[0]
    e0 = values.edges.edge_of[i]
    top = by_flight[LOG_SIZE, 0]
    for g in range(1, flights):
        top = max(top, by_flight[LOG_SIZE, g])
    norm = 0.0
    for g in range(flights):
        by_flight[SIZE, g] = math.exp(by_flight[LOG_SIZE, g] - top)
        norm += by_flight[SIZE, g]
    everything = whole
    every_shift = 0.0
    every_base = 0.0
    every_upper = 0.0
    for g in range(flights):
        by_flight[SIZE, g] /= norm
        everything += by_flight[SIZE, g] * by_flight[SUM_SHARE, g]
        every_shift += by_flight[SIZE, g] * by_flight[SUM_SHIFT, g]
        every_base += by_flight[SIZE, g] * by_flight[SUM_BASE, g]
        every_upper += by_flight[SIZE, g] * by_flight[SUM_UPPER, g]
    # A shift that moves the whole flight out of the observed time leaves nothing to divide by; the floor keeps
    # the number finite and small; the prior of the shift brings the search back.
    inverse = 1.0 / max(everything, _FLOOR)

    for g in range(latent.shape[0]):
        latent[g] = 0.0
        for f in range(latent.shape[0]):
            information[g, f] = 0.0
    if want_gradient:
        for p in range(gradient.shape[0]):
            gradient[p] = 0.0
    keep = 1.0 - stray
    first, last = records.catch_of[i], records.catch_of[i + 1]
    n = last - first
    for k in range(n):
        j = first + k
        left, right = lefts[j] - e0, rights[j] - e0
        a = 0.0
        for g in range(flights):
            a += by_flight[SIZE, g] * efforts[j] * (curves[SHARE, g, right] - curves[SHARE, g, left])
        checks[FLOWN, k] = a
        checks[CHANCE, k] = max(keep * a * inverse + stray * shares[j], _FLOOR)
    by_concentration = 0.0
    if records.kind == PRESENCE:
        value = presence(log_abundance, n, checks, latent, information)
    elif records.any_open[i] > 0:
        counts, is_open = records.counts[first:last], records.is_open[first:last]
        value, by_concentration = censored(values.concentration, records.totals[i], counts, is_open, checks)
    else:
        value, by_concentration = _counted(
            values.concentration, records.totals[i], first, n, records.counts, checks
        )
    if want_gradient:
        gradient[places.concentration] = by_concentration

    for k in range(n):
        j = first + k
        left, right, effort = lefts[j] - e0, rights[j] - e0, efforts[j]
        a = checks[FLOWN, k]
        q = a * inverse
        a_shift = 0.0
        for g in range(flights):
            a_shift += (
                by_flight[SIZE, g] * effort * (curves[BY_MEDIAN, g, right] - curves[BY_MEDIAN, g, left])
            )
        dp = keep * checks[SLOPE, k]
        by_flight[BY_LATENT, 0] = (a_shift - q * every_shift) * inverse
        for g in range(1, flights):
            delta = effort * (curves[SHARE, g, right] - curves[SHARE, g, left])
            by_flight[BY_LATENT, g] = (
                by_flight[SIZE, g]
                * ((delta - a) - q * (by_flight[SUM_SHARE, g] + whole - everything))
                * inverse
            )
        curvature = keep * keep * checks[INFORMATION, k]
        for g in range(flights):
            latent[g] += dp * by_flight[BY_LATENT, g]
            for f in range(flights):
                information[g, f] += curvature * by_flight[BY_LATENT, g] * by_flight[BY_LATENT, f]
        if want_gradient:
            a_base = 0.0
            a_upper = 0.0
            for g in range(flights):
                from_right = by_flight[SIZE, g] * effort * curves[BY_HEAT, g, right]
                from_left = by_flight[SIZE, g] * effort * curves[BY_HEAT, g, left]
                a_base += from_right * by_base[rights[j]] - from_left * by_base[lefts[j]]
                a_upper += from_right * by_upper[rights[j]] - from_left * by_upper[lefts[j]]
                a_m = effort * (
                    curves[BY_MEDIAN, g, right]
                    + curves[BY_REQUIREMENT, g, right]
                    - curves[BY_MEDIAN, g, left]
                    - curves[BY_REQUIREMENT, g, left]
                )
                q_m = a_m - q * by_flight[SUM_REQUIREMENT, g]
                gradient[places.requirement + g] += dp * by_flight[SIZE, g] * inverse * q_m * factor
                q_s = (
                    effort * (curves[BY_SPREAD, g, right] - curves[BY_SPREAD, g, left])
                    - q * by_flight[SUM_SPREAD, g]
                )
                gradient[places.spread + g] += dp * by_flight[SIZE, g] * inverse * q_s
            gradient[places.base] += dp * (a_base - q * every_base) * inverse
            gradient[places.upper] += dp * (a_upper - q * every_upper) * inverse
            gradient[places.stray] += checks[SLOPE, k] * (shares[j] - q) * stray * keep
    if want_gradient:
        moved = 0.0
        for g in range(flights):
            moved += gradient[places.requirement + g] * requirement[g]
        for c in range(covariates.shape[1]):
            gradient[places.effects + c] = moved * covariates[i, c]
    return value
