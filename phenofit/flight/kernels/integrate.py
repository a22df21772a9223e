"""Shifts and flight sizes integrated out by adaptive Gauss-Hermite quadrature, nested: trap-years within groups.

A group is a year (or a site): all its trap-years share one shift. Within a group each trap-year has its own shift
and, with several flights, its own log sizes (for records of presence its log abundance too). Both levels are centred on their mode and scaled by their curvature
before the nodes are laid (adaptive quadrature: Pinheiro and Bates 1995, J. Comput. Graph. Stat. 4:12-35),
so that few nodes do. Every latent value is measured in its own standard deviation; a standard deviation
that goes to zero then leaves a plain product and no division by it.

What a trap-year's counts say depends on its whole shift alone. The curves at its nodes are therefore computed once,
about the mode of the group's shift; for the other shifts of the group the same nodes get other weights, unless they
would lie too far off.

Slices are written out as loops: the compiler takes several times as long over an array assignment.

Slopes of the log-likelihood are means of the slopes of the log chance under the posterior of the latent values
(Fisher's identity), taken at the same nodes.
"""

from __future__ import annotations

import math

import numpy as np

from phenofit.flight.kernels.trap_year import fill_curves, trap_year_chance
from phenofit.heat.compiled.compiler import compiled

__all__ = ["find_mode", "group_likelihood", "lay_nodes", "make_room"]

_HALF_LOG_2PI = 0.5 * math.log(2.0 * math.pi)


@compiled
def _cholesky(matrix: np.ndarray, factor: np.ndarray) -> None:
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
def _solve(factor: np.ndarray, right: np.ndarray, out: np.ndarray) -> None:
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
def _inverse_factor(factor: np.ndarray, lower: np.ndarray) -> None:
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
def make_room(flights, dims, args, nodes, size):  # type: ignore[no-untyped-def]
    """Return the arrays to work in: room for the curves, one latent point, and all `nodes` of a trap-year."""
    edge_of, catch_of = args[8], args[12]
    widest = 0
    most = 0
    for i in range(edge_of.shape[0] - 1):
        widest = max(widest, edge_of[i + 1] - edge_of[i])
        most = max(most, catch_of[i + 1] - catch_of[i])
    # 0 work, 1 sums, 2 chance, 3 latent, 4 information, 5 gradient, 6 log_size, 7 trial, 8 direction, 9 factor,
    # 10 matrix; of each node 11 its log weight, 12 its place in SDs, 13 slope in the own shift, 14 gradient;
    # 15 weights made, 16 mean gradient.
    return (
        np.empty((5, flights, widest)),
        np.empty((6, flights)),
        np.empty((6, max(most + 1, flights))),
        np.empty(dims),
        np.empty((dims, dims)),
        np.zeros(size),
        np.zeros(flights),
        np.empty(dims),
        np.empty(dims),
        np.zeros((dims, dims)),
        np.zeros((dims, dims)),
        np.empty(nodes),
        np.empty((nodes, dims)),
        np.empty(nodes),
        np.zeros((nodes, size)),
        np.empty(nodes),
        np.zeros(size),
    )


@compiled
def _log_integrand(i, x, centre, fresh, want, args, scales, room):  # type: ignore[no-untyped-def]
    """Log chance of trap-year `i` at latent `x` (in SDs) plus the log of their standard normal density."""
    curve, requirement, spread = args[:3]
    mean_size, factors = args[5], args[6]
    work, sums, chance, latent, information, gradient, log_size = room[:7]
    flights = requirement.shape[0]
    dims = x.shape[0]
    square = x[0] * x[0]
    for g in range(1, flights):
        log_size[g] = mean_size[g - 1] + scales[g] * x[g]
    for g in range(1, dims):
        square += x[g] * x[g]
    log_abundance = args[24]
    if dims > flights:
        log_abundance += scales[flights] * x[flights]
    if fresh:
        fill_curves(
            i,
            centre + scales[0] * x[0],
            curve,
            requirement,
            spread,
            factors[i],
            args[8],
            args[9],
            args[10],
            args[11],
            args[19],
            work,
            sums,
        )
    value = trap_year_chance(
        i, log_size, log_abundance, want, args, work, sums, chance, latent, information, gradient
    )
    return value - 0.5 * square - dims * _HALF_LOG_2PI


@compiled
def _curvature(scales, room):  # type: ignore[no-untyped-def]
    # Cholesky factor of the curvature of minus the log integrand, in SDs, into room[9].
    information, factor, matrix = room[4], room[9], room[10]
    dims = scales.shape[0]
    for a in range(dims):
        for b in range(dims):
            matrix[a, b] = scales[a] * scales[b] * information[a, b]
        matrix[a, a] += 1.0
    _cholesky(matrix, factor)


@compiled
def find_mode(i, centre, args, scales, mode, tolerance, room):  # type: ignore[no-untyped-def]
    """Find the mode of the latent values of trap-year `i` with the group's shift at `centre`."""
    latent, information = room[3], room[4]
    trial, direction, factor = room[7], room[8], room[9]
    dims = mode.shape[0]
    # A literal True or False is a type of its own to the compiler, and would have every callee built again.
    quiet = dims < 1
    fresh = not quiet
    value = _log_integrand(i, mode, centre, fresh, quiet, args, scales, room)
    rest = 0.0
    for _ in range(40):
        for a in range(dims):
            direction[a] = scales[a] * latent[a] - mode[a]
        _curvature(scales, room)
        _solve(factor, direction, trial)
        length = 0.0
        for a in range(dims):
            direction[a] = trial[a]
            # Distance in posterior standard deviations.
            length = max(length, abs(direction[a]) * factor[a, a])
        if length < tolerance:
            # The slope at the mode itself, to first order: the steps left out would all point the same way.
            for a in range(dims):
                rest += information[0, a] * scales[a] * direction[a]
            break
        step = min(1.0, 4.0 / length)
        moved = False
        new = value
        for _half in range(12):
            for a in range(dims):
                trial[a] = mode[a] + step * direction[a]
            new = _log_integrand(i, trial, centre, fresh, quiet, args, scales, room)
            if new >= value - 1e-10:
                moved = True
                break
            step *= 0.5
        if not moved:
            # The slopes now belong to the last trial; restore those of the mode.
            value = _log_integrand(i, mode, centre, fresh, quiet, args, scales, room)
            _curvature(scales, room)
            break
        gain = new - value
        value = new
        for a in range(dims):
            mode[a] = trial[a]
        if length < 10.0 * tolerance and gain < 1e-3 * tolerance:
            _curvature(scales, room)
            break

    # Curvature of the log integral in the centre: the information left when the own shift and sizes give way.
    for a in range(dims):
        direction[a] = scales[a] * information[a, 0]
    _solve(factor, direction, trial)
    curvature = information[0, 0]
    for a in range(dims):
        curvature -= direction[a] * trial[a]
    return latent[0] - rest, max(curvature, 0.0)


@compiled
def lay_nodes(i, centre, want, args, scales, grid, weights, mode, room):  # type: ignore[no-untyped-def]
    """Lay the nodes of trap-year `i` about its mode, and compute the log chance and its slopes there."""
    latent, gradient = room[3], room[5]
    trial, factor, matrix = room[7], room[9], room[10]
    terms, places, slopes, grads = room[11], room[12], room[13], room[14]
    flights = args[1].shape[0]
    dims = mode.shape[0]
    find_mode(i, centre, args, scales, mode, 0.05, room)
    if args[23][i] > 0 and dims == 1:
        # The curvature of counts known from below is a rough one; the nodes want it by difference.
        step = 0.2 / factor[0, 0]
        quiet = dims < 1
        bend = 1.0
        for side in range(2):
            sign = 2.0 * side - 1.0
            trial[0] = mode[0] + sign * step
            _log_integrand(i, trial, centre, not quiet, quiet, args, scales, room)
            bend -= sign * scales[0] * latent[0] / (2.0 * step)
        factor[0, 0] = math.sqrt(max(bend, 0.3))
    log_det = 0.0
    for a in range(dims):
        log_det += math.log(factor[a, a])
    size = gradient.shape[0]
    _inverse_factor(factor, matrix)
    reach = matrix[0, 0]
    for q in range(grid.shape[0]):
        for a in range(dims):
            trial[a] = mode[a]
            for b in range(a + 1):
                trial[a] += matrix[a, b] * grid[q, b]
        # Neighbouring nodes share the shift, and with it the curves.
        fresh = q == 0 or grid[q, 0] != grid[q - 1, 0]
        terms[q] = weights[q] - log_det + _log_integrand(i, trial, centre, fresh, want, args, scales, room)
        for a in range(dims):
            places[q, a] = trial[a]
        slopes[q] = latent[0]
        if want:
            for p in range(size):
                grads[q, p] = gradient[p]
            for g in range(1, flights):
                grads[q, 2 * flights + 3 + g] = latent[g]
                grads[q, 3 * flights + 2 + g] = scales[g] * trial[g] * latent[g]
            if dims > flights:
                grads[q, 4 * flights + 5] = latent[flights]
                grads[q, 4 * flights + 6] = scales[flights] * trial[flights] * latent[flights]
    return reach


@compiled
def _read_nodes(away, want, flights, scales, nodes, room):  # type: ignore[no-untyped-def]
    """Integrate over the nodes with the group's shift `away` (in SDs of the own shift) from where they were laid."""
    terms, places, slopes, grads, made, mean_gradient = room[11:]
    size = mean_gradient.shape[0]
    highest = -1e300
    for q in range(nodes):
        made[q] = terms[q] + away * (places[q, 0] - 0.5 * away)
        highest = max(highest, made[q])
    total = 0.0
    for q in range(nodes):
        made[q] = math.exp(made[q] - highest)
        total += made[q]
    slope = 0.0
    if want:
        for p in range(size):
            mean_gradient[p] = 0.0
    for q in range(nodes):
        share = made[q] / total
        slope += share * slopes[q]
        if want:
            for p in range(size):
                mean_gradient[p] += share * grads[q, p]
            mean_gradient[2 * flights + 3] += share * scales[0] * (places[q, 0] - away) * slopes[q]
    return highest + math.log(total), slope


@compiled
def group_likelihood(  # type: ignore[no-untyped-def]
    first_group,
    last_group,
    group_of,
    members,
    group_sd,
    scales,
    args,
    inner_grid,
    inner_weights,
    outer_nodes,
    outer_weights,
    farthest,
    group_mode,
    modes,
    want,
    values,
    gradients,
    group_mean,
):
    """Fill the log-likelihood of each group and its slopes."""
    flights = args[1].shape[0]
    dims = scales.shape[0]
    size = gradients.shape[1]
    inner = inner_grid.shape[0]
    outer = outer_nodes.shape[0]
    room = make_room(flights, dims, args, inner, size)
    own = np.empty(dims)
    terms = np.empty(outer)
    places = np.empty(outer)
    sums = np.empty((outer, size))
    for y in range(first_group, last_group):
        first, last = group_of[y], group_of[y + 1]
        if group_sd <= 0.0:
            total = 0.0
            if want:
                for p in range(size):
                    gradients[y, p] = 0.0
            for k in range(first, last):
                i = members[k]
                lay_nodes(i, 0.0, want, args, scales, inner_grid, inner_weights, modes[i], room)
                value, slope = _read_nodes(0.0, want, flights, scales, inner, room)
                total += value
                if want:
                    for p in range(size):
                        gradients[y, p] += room[16][p]
            values[y] = total
            group_mean[y, 0] = 0.0
            group_mean[y, 1] = 0.0
            continue
        # Mode of the group's shift by Newton steps; it only places the nodes.
        r = group_mode[y]
        steepness = 1.0
        before, slope_before = r, 0.0
        for attempt in range(25):
            slope_sum = 0.0
            curve_sum = 0.0
            for k in range(first, last):
                i = members[k]
                slope, curvature = find_mode(i, group_sd * r, args, scales, modes[i], 0.02, room)
                slope_sum += slope
                curve_sum += curvature
            steepness = 1.0 + group_sd * group_sd * curve_sum
            downhill = group_sd * slope_sum - r
            if attempt > 0 and abs(r - before) * math.sqrt(steepness) > 0.3:
                # The curvature is an expected one; between two points the slopes tell the true one.
                secant = (slope_before - downhill) / (r - before)
                if 0.4 * steepness < secant < 2.5 * steepness:
                    steepness = secant
            before, slope_before = r, downhill
            step = downhill / steepness
            limit = 3.0 / (1.0 + 0.5 * attempt)
            r += max(-limit, min(limit, step))
            if abs(step) * math.sqrt(steepness) < 0.2:
                break
        group_mode[y] = r
        scale = 1.0 / math.sqrt(steepness)
        centre = group_sd * r
        for o in range(outer):
            places[o] = r + scale * outer_nodes[o]
            terms[o] = -0.5 * places[o] * places[o] - _HALF_LOG_2PI + outer_weights[o]
            if want:
                for p in range(size):
                    sums[o, p] = 0.0
        for k in range(first, last):
            i = members[k]
            reach = lay_nodes(i, centre, want, args, scales, inner_grid, inner_weights, modes[i], room)
            for far in range(2):
                for o in range(outer):
                    away = 0.0
                    near = False
                    if scales[0] > 0.0:
                        away = (group_sd * places[o] - centre) / scales[0]
                        near = abs(away) * reach <= farthest
                    if near == (far == 1):
                        continue
                    if far == 1:
                        for p in range(dims):
                            own[p] = modes[i, p]
                        lay_nodes(
                            i,
                            group_sd * places[o],
                            want,
                            args,
                            scales,
                            inner_grid,
                            inner_weights,
                            own,
                            room,
                        )
                        away = 0.0
                    value, slope = _read_nodes(away, want, flights, scales, inner, room)
                    terms[o] += value
                    if want:
                        for p in range(size):
                            sums[o, p] += room[16][p]
                        sums[o, 2 * flights + 2] += group_sd * places[o] * slope
        highest = -1e300
        for o in range(outer):
            highest = max(highest, terms[o])
        weight = 0.0
        for o in range(outer):
            terms[o] = math.exp(terms[o] - highest)
            weight += terms[o]
        values[y] = highest + math.log(weight) + math.log(scale)
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
