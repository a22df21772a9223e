"""Shifts and flight sizes integrated out by adaptive Gauss-Hermite quadrature, nested: trap-years within groups.

A group is a year (or a site): all its trap-years share one shift. Within a group each trap-year has its own shift
and, with several flights, its own log sizes (for records of presence its log abundance too). Both levels are centred
on their mode and scaled by their curvature before the nodes are placed (adaptive quadrature: Pinheiro and Bates 1995,
J. Comput. Graph. Stat. 4:12-35). Few nodes are then enough. Every latent value is measured in its own
standard deviation; a standard deviation that goes to zero then leaves a plain product and no division by it.

What a trap-year's counts say depends on its whole shift alone. The curves at its nodes are therefore computed once,
about the mode of the group's shift; for the other shifts of the group the same nodes get other weights, unless they
would be too far away.

Slices are written out as loops: the compiler takes several times as long over an array assignment.

Slopes of the log-likelihood are means of the slopes of the log chance under the posterior of the latent values
(Fisher's identity), taken at the same nodes.
"""

from __future__ import annotations

import math

import numpy as np

from phenofit.flight.kernels.arguments import (
    LOG_SIZE,
    Floats,
    Groups,
    ModelValues,
    NodeValues,
    Quadrature,
    Search,
    TrapRecords,
    Workspace,
    make_nodes,
    make_room,
    make_search,
)
from phenofit.flight.kernels.trap_year import fill_curves, trap_year_chance
from phenofit.heat.compiled.compiler import compiled

_HALF_LOG_2PI = 0.5 * math.log(2.0 * math.pi)


@compiled
def _cholesky(matrix: Floats, factor: Floats) -> None:
    n = matrix.shape[0]
    for a in range(n):
        for b in range(a + 1):
            total = matrix[a, b]
            for c in range(b):
                total -= factor[a, c] * factor[b, c]
            if a == b:
                factor[a, a] = math.sqrt(max(total, 1e-12))
            else:
                factor[a, b] = total / factor[b, b]


@compiled
def _solve(factor: Floats, right: Floats, out: Floats) -> None:
    # Solve L L' out = right.
    n = factor.shape[0]
    for a in range(n):
        total = right[a]
        for b in range(a):
            total -= factor[a, b] * out[b]
        out[a] = total / factor[a, a]
    for a in range(n - 1, -1, -1):
        total = out[a]
        for b in range(a + 1, n):
            total -= factor[b, a] * out[b]
        out[a] = total / factor[a, a]


@compiled
def _inverse_factor(factor: Floats, lower: Floats) -> None:
    # With H = L L', fill the lower triangular A with A A' = H^-1: the first latent value then follows the first
    # node alone. A is the Cholesky factor of the inverse, whose rows come from unit vectors.
    n = factor.shape[0]
    if n == 1:
        lower[0, 0] = 1.0 / factor[0, 0]
        return
    inverse = np.zeros((n, n))
    unit = np.zeros(n)
    for a in range(n):
        for p in range(n):
            unit[p] = 0.0
        unit[a] = 1.0
        _solve(factor, unit, inverse[a])
    _cholesky(inverse, lower)


@compiled
def _log_integrand(
    i: int,
    x: Floats,
    centre: float,
    fresh: bool,
    want: bool,
    records: TrapRecords,
    values: ModelValues,
    room: Workspace,
) -> float:
    """Log chance of trap-year `i` at latent `x` (in SDs) plus the log of their standard normal density."""
    scales = values.latent_sd
    flights = values.curves.requirement.shape[0]
    dims = x.shape[0]
    square = float(x[0] * x[0])
    for g in range(1, flights):
        room.by_flight[LOG_SIZE, g] = values.mean_size[g - 1] + scales[g] * x[g]
    for g in range(1, dims):
        square += x[g] * x[g]
    log_abundance = values.log_abundance
    if dims > flights:
        log_abundance += float(scales[flights] * x[flights])
    if fresh:
        fill_curves(i, centre + scales[0] * x[0], want, records, values, room)
    value = trap_year_chance(i, log_abundance, want, records, values, room)
    return float(value - 0.5 * square - dims * _HALF_LOG_2PI)


@compiled
def _curvature(scales: Floats, information: Floats, search: Search) -> None:
    # Cholesky factor of the curvature of minus the log integrand, in SDs.
    matrix = search.matrix
    dims = scales.shape[0]
    for a in range(dims):
        for b in range(dims):
            matrix[a, b] = scales[a] * scales[b] * information[a, b]
        matrix[a, a] += 1.0
    _cholesky(matrix, search.factor)


@compiled
def find_mode(
    i: int,
    centre: float,
    records: TrapRecords,
    values: ModelValues,
    mode: Floats,
    tolerance: float,
    room: Workspace,
    search: Search,
) -> tuple[float, float]:
    """Find the mode of the latent values of trap-year `i` with the group's shift at `centre`."""
    latent, information = room.latent, room.information
    trial, direction, factor = search.trial, search.direction, search.factor
    scales = values.latent_sd
    dims = mode.shape[0]
    # A literal True or False is a type of its own to the compiler, and would have every callee built again.
    quiet = dims < 1
    fresh = not quiet
    value = _log_integrand(i, mode, centre, fresh, quiet, records, values, room)
    rest = 0.0
    for _ in range(40):
        for a in range(dims):
            direction[a] = scales[a] * latent[a] - mode[a]
        _curvature(scales, information, search)
        _solve(factor, direction, trial)
        length = 0.0
        for a in range(dims):
            direction[a] = trial[a]
            # Distance in posterior standard deviations.
            length = max(length, abs(direction[a]) * factor[a, a])
        if length < tolerance:
            # The slope at the mode itself, to first order: the omitted steps would all point the same way.
            for a in range(dims):
                rest += information[0, a] * scales[a] * direction[a]
            break
        step = min(1.0, 4.0 / length)
        moved = False
        new = value
        for _half in range(12):
            for a in range(dims):
                trial[a] = mode[a] + step * direction[a]
            new = _log_integrand(i, trial, centre, fresh, quiet, records, values, room)
            if new >= value - 1e-10:
                moved = True
                break
            step *= 0.5
        if not moved:
            # The slopes now belong to the last trial; restore those of the mode.
            value = _log_integrand(i, mode, centre, fresh, quiet, records, values, room)
            _curvature(scales, information, search)
            break
        gain = new - value
        value = new
        for a in range(dims):
            mode[a] = trial[a]
        if length < 10.0 * tolerance and gain < 1e-3 * tolerance:
            _curvature(scales, information, search)
            break

    # Curvature of the log integral in the centre: the information that remains when the own shift and sizes follow.
    for a in range(dims):
        direction[a] = scales[a] * information[a, 0]
    _solve(factor, direction, trial)
    curvature = information[0, 0]
    for a in range(dims):
        curvature -= direction[a] * trial[a]
    return latent[0] - rest, max(curvature, 0.0)


@compiled
def fill_nodes(
    i: int,
    centre: float,
    want: bool,
    records: TrapRecords,
    values: ModelValues,
    grid: Floats,
    weights: Floats,
    mode: Floats,
    room: Workspace,
    search: Search,
    nodes: NodeValues,
) -> float:
    """Place the nodes of trap-year `i` about its mode, and compute the log chance and its slopes there."""
    latent, gradient = room.latent, room.gradient
    trial, factor, matrix = search.trial, search.factor, search.matrix
    places, scales = room.places, values.latent_sd
    flights = values.curves.requirement.shape[0]
    dims = mode.shape[0]
    find_mode(i, centre, records, values, mode, 0.05, room, search)
    if records.any_open[i] > 0 and dims == 1:
        # The curvature of counts known from below is a rough one; the nodes need it by difference.
        step = 0.2 / factor[0, 0]
        quiet = dims < 1
        bend = 1.0
        for side in range(2):
            sign = 2.0 * side - 1.0
            trial[0] = mode[0] + sign * step
            _log_integrand(i, trial, centre, not quiet, quiet, records, values, room)
            bend -= sign * scales[0] * latent[0] / (2.0 * step)
        factor[0, 0] = math.sqrt(max(bend, 0.3))
    log_det = 0.0
    for a in range(dims):
        log_det += math.log(factor[a, a])
    _inverse_factor(factor, matrix)
    reach = matrix[0, 0]
    for q in range(grid.shape[0]):
        for a in range(dims):
            trial[a] = mode[a]
            for b in range(a + 1):
                trial[a] += matrix[a, b] * grid[q, b]
        # Neighbouring nodes share the shift, and with it the curves.
        fresh = q == 0 or grid[q, 0] != grid[q - 1, 0]
        height = _log_integrand(i, trial, centre, fresh, want, records, values, room)
        nodes.terms[q] = weights[q] - log_det + height
        for a in range(dims):
            nodes.latent[q, a] = trial[a]
        nodes.slopes[q] = latent[0]
        if want:
            gradients = nodes.gradients[q]
            for p in range(gradient.shape[0]):
                gradients[p] = gradient[p]
            for g in range(1, flights):
                gradients[places.size + g - 1] = latent[g]
                gradients[places.size_sd + g - 1] = scales[g] * trial[g] * latent[g]
            if dims > flights:
                gradients[places.abundance] = latent[flights]
                gradients[places.abundance_sd] = scales[flights] * trial[flights] * latent[flights]
    return float(reach)


@compiled
def _read_nodes(
    away: float, want: bool, own_sd: float, shift_sd: int, nodes: NodeValues
) -> tuple[float, float]:
    """Integrate over the nodes with the group's shift `away` (in SDs of the own shift) from where they were placed."""
    terms, latent, made, mean_gradient = nodes.terms, nodes.latent, nodes.weights, nodes.mean_gradient
    size = mean_gradient.shape[0]
    highest = -1e300
    for q in range(terms.shape[0]):
        made[q] = terms[q] + away * (latent[q, 0] - 0.5 * away)
        highest = max(highest, made[q])
    total = 0.0
    for q in range(terms.shape[0]):
        made[q] = math.exp(made[q] - highest)
        total += made[q]
    slope = 0.0
    if want:
        for p in range(size):
            mean_gradient[p] = 0.0
    for q in range(terms.shape[0]):
        share = made[q] / total
        slope += share * nodes.slopes[q]
        if want:
            for p in range(size):
                mean_gradient[p] += share * nodes.gradients[q, p]
            mean_gradient[shift_sd] += share * own_sd * (latent[q, 0] - away) * nodes.slopes[q]
    return highest + math.log(total), slope


@compiled
def group_likelihood(
    first_group: int,
    last_group: int,
    groups: Groups,
    records: TrapRecords,
    values: ModelValues,
    quadrature: Quadrature,
    group_mode: Floats,
    modes: Floats,
    want: bool,
    out: Floats,
    gradients: Floats,
    group_mean: Floats,
) -> None:
    """Fill the log-likelihood of each group and its slopes."""
    grid, weights, outer_nodes = quadrature.grid, quadrature.weights, quadrature.outer_nodes
    members, scales, group_sd = groups.members, values.latent_sd, values.group_sd
    dims = scales.shape[0]
    size = gradients.shape[1]
    outer = outer_nodes.shape[0]
    room = make_room(records, values)
    search = make_search(dims)
    nodes = make_nodes(grid.shape[0], dims, size)
    mean_gradient, shift_sd, own_sd = nodes.mean_gradient, room.places.shift_sd, scales[0]
    own = np.empty(dims)
    terms = np.empty(outer)
    places = np.empty(outer)
    sums = np.empty((outer, size))
    for y in range(first_group, last_group):
        first, last = groups.group_of[y], groups.group_of[y + 1]
        if group_sd <= 0.0:
            total = 0.0
            if want:
                for p in range(size):
                    gradients[y, p] = 0.0
            for k in range(first, last):
                i = members[k]
                fill_nodes(i, 0.0, want, records, values, grid, weights, modes[i], room, search, nodes)
                value, slope = _read_nodes(0.0, want, own_sd, shift_sd, nodes)
                total += value
                if want:
                    for p in range(size):
                        gradients[y, p] += mean_gradient[p]
            out[y] = total
            group_mean[y, 0] = 0.0
            group_mean[y, 1] = 0.0
            continue
        # Mode of the group's shift by Newton steps; it only places the nodes.
        r = group_mode[y]
        group_curvature = 1.0
        before, slope_before = r, 0.0
        for attempt in range(25):
            slope_sum = 0.0
            curve_sum = 0.0
            for k in range(first, last):
                i = members[k]
                slope, curvature = find_mode(i, group_sd * r, records, values, modes[i], 0.02, room, search)
                slope_sum += slope
                curve_sum += curvature
            group_curvature = 1.0 + group_sd * group_sd * curve_sum
            group_slope = group_sd * slope_sum - r
            if attempt > 0 and abs(r - before) * math.sqrt(group_curvature) > 0.3:
                # The curvature is an expected one; between two points the slopes give the observed one.
                secant = (slope_before - group_slope) / (r - before)
                if 0.4 * group_curvature < secant < 2.5 * group_curvature:
                    group_curvature = secant
            before, slope_before = r, group_slope
            step = group_slope / group_curvature
            limit = 3.0 / (1.0 + 0.5 * attempt)
            r += max(-limit, min(limit, step))
            if abs(step) * math.sqrt(group_curvature) < 0.2:
                break
        group_mode[y] = r
        scale = 1.0 / math.sqrt(group_curvature)
        centre = group_sd * r
        for o in range(outer):
            places[o] = r + scale * outer_nodes[o]
            terms[o] = -0.5 * places[o] * places[o] - _HALF_LOG_2PI + quadrature.outer_weights[o]
            if want:
                for p in range(size):
                    sums[o, p] = 0.0
        for k in range(first, last):
            i = members[k]
            reach = fill_nodes(i, centre, want, records, values, grid, weights, modes[i], room, search, nodes)
            for far in range(2):
                for o in range(outer):
                    away = 0.0
                    near = False
                    if own_sd > 0.0:
                        away = (group_sd * places[o] - centre) / own_sd
                        near = abs(away) * reach <= quadrature.farthest
                    if near == (far == 1):
                        continue
                    if far == 1:
                        for p in range(dims):
                            own[p] = modes[i, p]
                        there = group_sd * places[o]
                        fill_nodes(i, there, want, records, values, grid, weights, own, room, search, nodes)
                        away = 0.0
                    value, slope = _read_nodes(away, want, own_sd, shift_sd, nodes)
                    terms[o] += value
                    if want:
                        for p in range(size):
                            sums[o, p] += mean_gradient[p]
                        sums[o, room.places.group_sd] += group_sd * places[o] * slope
        highest = -1e300
        for o in range(outer):
            highest = max(highest, terms[o])
        weight = 0.0
        for o in range(outer):
            terms[o] = math.exp(terms[o] - highest)
            weight += terms[o]
        out[y] = highest + math.log(weight) + math.log(scale)
        mean = 0.0
        square = 0.0
        if want:
            for p in range(size):
                gradients[y, p] = 0.0
        for o in range(outer):
            share = terms[o] / weight
            mean += share * places[o]
            square += share * places[o] * places[o]
            if want:
                for p in range(size):
                    gradients[y, p] += share * sums[o, p]
        group_mean[y, 0] = group_sd * mean
        group_mean[y, 1] = group_sd * math.sqrt(max(square - mean * mean, 0.0))
