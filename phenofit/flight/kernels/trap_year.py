"""The chance of one trap-year's counts, given the heat at its checks: Dirichlet-multinomial, with slopes.

The chance of interval j is ``p_j = (1 - e) a_j / sum(a) + e d_j`` with
``a_j = effort_j * sum_g w_g [G_g(h_right) - G_g(h_left)]``, `e` the stray share and `d_j` the interval's share of the
trap's time and effort. Where the weather of nights plays a part, the interval is cut at midnights, and each piece has
the weight ``exp(effect * anomaly)`` of its day. The counts, given their total, are Dirichlet-multinomial with concentration phi (Mosimann 1962,
Biometrika 49:65-82). Counts known only as "at least n" are in ``censored``, records of presence in ``presence``.
"""

from __future__ import annotations

import math

from phenofit.flight.kernels.arguments import (
    BY_BASE,
    BY_LATENT,
    BY_NIGHT,
    BY_REQUIREMENT,
    BY_SHIFT,
    BY_SPREAD,
    BY_UPPER,
    CHANCE,
    CURVE_ROWS,
    FLOWN,
    INFORMATION,
    LOG_SIZE,
    NIGHT,
    NIGHT_SLOPE,
    PRESENCE,
    SHARE,
    SIZE,
    SLOPE,
    WEIGHT_SLOPE,
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
def _by_night(left: int, right: int, first: int, curve: Floats, weights: Floats) -> float:
    # Sum of what a curve rises by from edge to edge, weighted.
    total = 0.0
    for e in range(left, right):
        total += weights[e] * (curve[e + 1 - first] - curve[e - first])
    return total


@compiled
def fill_curves(
    i: int, shift: float, want: bool, records: TrapRecords, values: ModelValues, room: Workspace
) -> None:
    """Fill what the flight curves of trap-year `i` rise by in its intervals; that does not depend on the flight sizes."""
    # Arrays are taken out of their tuples before the loops: compiled code counts references at each access.
    heat, by_base, by_upper = values.edges.heat, values.edges.by_base, values.edges.by_upper
    weight, night, edge_of = values.edges.weight, values.edges.night, values.edges.edge_of
    requirement, spread = values.curves.requirement, values.curves.spread
    code, factor = values.curves.code, values.curves.factors[i]
    stretch = factor if values.curves.spread_follows else 1.0
    lefts, rights, efforts = records.left, records.right, records.effort
    edges, steps, by_flight = room.edges, room.steps, room.by_flight
    # The search for a mode asks for the slopes in the shift only.
    rows = BY_NIGHT if want else BY_SHIFT + 1
    e0, e1 = edge_of[i], edge_of[i + 1]
    first, last = records.catch_of[i], records.catch_of[i + 1]
    for g in range(requirement.shape[0]):
        m, s = requirement[g] * factor, spread[g] * stretch
        for e in range(e0, e1):
            flown, d_heat, d_median, d_m, d_spread = curve_point(code, heat[e], m + shift, m, s)
            k = e - e0
            edges[FLOWN, k] = flown
            edges[BY_SHIFT, k] = d_median
            if want:
                edges[BY_REQUIREMENT, k] = (d_median + d_m) * factor
                edges[BY_SPREAD, k] = d_spread
                edges[BY_BASE, k] = d_heat * by_base[e]
                edges[BY_UPPER, k] = d_heat * by_upper[e]
        for p in range(rows):
            by_flight[p, g] = 0.0
        # Most edges stand between two checks of the same effort and have no weight.
        for e in range(e0, e1):
            if weight[e] != 0.0:
                for p in range(rows):
                    by_flight[p, g] += weight[e] * edges[p, e - e0]
        for p in range(rows):
            for j in range(first, last):
                steps[p, g, j - first] = efforts[j] * (edges[p, rights[j] - e0] - edges[p, lefts[j] - e0])
        if night.shape[1] > 0:
            for p in range(rows):
                for j in range(first, last):
                    step = _by_night(lefts[j], rights[j], e0, edges[p], night[NIGHT])
                    steps[p, g, j - first] = efforts[j] * step
            by_flight[BY_NIGHT, g] = 0.0
            for e in range(e0, e1):
                by_flight[BY_NIGHT, g] += night[WEIGHT_SLOPE, e] * edges[FLOWN, e - e0]
            for j in range(first, last):
                step = _by_night(lefts[j], rights[j], e0, edges[FLOWN], night[NIGHT_SLOPE])
                steps[BY_NIGHT, g, j - first] = efforts[j] * step


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
    steps, by_flight, checks = room.steps, room.by_flight, room.checks
    latent, information, gradient = room.latent, room.information, room.gradient
    shares, covariates = records.share, records.covariates
    whole = records.whole[i]
    requirement = values.curves.requirement
    places, stray = room.places, values.stray
    flights = requirement.shape[0]
    top = by_flight[LOG_SIZE, 0]
    for g in range(1, flights):
        top = max(top, by_flight[LOG_SIZE, g])
    norm = 0.0
    for g in range(flights):
        by_flight[SIZE, g] = math.exp(by_flight[LOG_SIZE, g] - top)
        norm += by_flight[SIZE, g]
    everything = whole
    every_shift = 0.0
    for g in range(flights):
        by_flight[SIZE, g] /= norm
        everything += by_flight[SIZE, g] * by_flight[FLOWN, g]
        every_shift += by_flight[SIZE, g] * by_flight[BY_SHIFT, g]
    # A shift that moves the whole flight out of the observed time leaves nothing to divide by; the floor keeps
    # the number finite and small; the prior of the shift brings the search back.
    inverse = 1.0 / max(everything, _FLOOR)

    for g in range(latent.shape[0]):
        latent[g] = 0.0
        for f in range(latent.shape[0]):
            information[g, f] = 0.0
    keep = 1.0 - stray
    first, last = records.catch_of[i], records.catch_of[i + 1]
    n = last - first
    for k in range(n):
        a = 0.0
        for g in range(flights):
            a += by_flight[SIZE, g] * steps[FLOWN, g, k]
        checks[SHARE, k] = a
        checks[CHANCE, k] = max(keep * a * inverse + stray * shares[first + k], _FLOOR)
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

    # Of a slope in the curves, the part that goes through the sum of all chances.
    through_sum = 0.0
    by_stray = 0.0
    for k in range(n):
        a = checks[SHARE, k]
        q = a * inverse
        a_shift = 0.0
        for g in range(flights):
            a_shift += by_flight[SIZE, g] * steps[BY_SHIFT, g, k]
        by_flight[BY_LATENT, 0] = (a_shift - q * every_shift) * inverse
        for g in range(1, flights):
            by_flight[BY_LATENT, g] = (
                by_flight[SIZE, g]
                * ((steps[FLOWN, g, k] - a) - q * (by_flight[FLOWN, g] + whole - everything))
                * inverse
            )
        dp = keep * checks[SLOPE, k]
        curvature = keep * keep * checks[INFORMATION, k]
        for g in range(flights):
            latent[g] += dp * by_flight[BY_LATENT, g]
            for f in range(flights):
                information[g, f] += curvature * by_flight[BY_LATENT, g] * by_flight[BY_LATENT, f]
        through_sum += dp * q
        by_stray += checks[SLOPE, k] * (shares[first + k] - q)
    if not want_gradient:
        return value

    for p in range(gradient.shape[0]):
        gradient[p] = 0.0
    gradient[places.concentration] = by_concentration
    gradient[places.stray] = by_stray * stray * keep
    moved = 0.0
    rows = CURVE_ROWS if values.edges.night.shape[1] > 0 else BY_NIGHT
    for g in range(flights):
        scale = keep * by_flight[SIZE, g] * inverse
        share = by_flight[SIZE, g] * inverse * through_sum
        for p in range(BY_REQUIREMENT, rows):
            slope = 0.0
            for k in range(n):
                slope += checks[SLOPE, k] * steps[p, g, k]
            slope = scale * slope - share * by_flight[p, g]
            if p == BY_REQUIREMENT:
                gradient[places.requirement + g] = slope
                moved += slope * requirement[g]
            elif p == BY_SPREAD:
                gradient[places.spread + g] = slope
                moved += slope if values.curves.spread_follows else 0.0
            elif p == BY_BASE:
                gradient[places.base] += slope
            elif p == BY_UPPER:
                gradient[places.upper] += slope
            else:
                gradient[places.night] += slope
    for c in range(covariates.shape[1]):
        gradient[places.effects + c] = moved * covariates[i, c]
    return value
