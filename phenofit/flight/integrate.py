"""Shifts and flight sizes integrated out by adaptive Gauss-Hermite quadrature, nested: trap-years within groups.

A group is a year (or a site): all its trap-years share one shift. Within a group each trap-year has its own shift
and, with several flights, its own log sizes. Both levels are centred on their mode and scaled by their curvature
before the nodes are laid (adaptive quadrature: Pinheiro and Bates 1995, J. Comput. Graph. Stat. 4:12-35, from
memory), so that few nodes do. Every latent value is measured in its own standard deviation; a standard deviation
that goes to zero then leaves a plain product and no division by it.

Slices are written out as loops: the compiler takes several times as long over an array assignment.

Slopes of the log-likelihood are means of the slopes of the log chance under the posterior of the latent values
(Fisher's identity), taken at the same nodes.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from phenofit.flight.counts import fill_curves, trap_year_chance

__all__ = ["group_likelihood"]

_HALF_LOG_2PI = 0.5 * math.log(2.0 * math.pi)


@njit(cache=True, error_model="numpy")
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


@njit(cache=True, error_model="numpy")
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


@njit(cache=True, error_model="numpy")
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


@njit(cache=True, error_model="numpy")
def _log_integrand(i, x, centre, fresh, want, args, scales, room):  # type: ignore[no-untyped-def]
    """Log chance of trap-year `i` at latent `x` (in SDs) plus the log of their standard normal density.

    Unless `fresh`, the curves of the last call stand: only the flight sizes have changed.
    """
    curve, requirement, spread, concentration, stray, mean_size, factors, covariates = args[:8]
    work, sums, latent, information, gradient, log_size = room[:6]
    flights = requirement.shape[0]
    square = x[0] * x[0]
    for g in range(1, flights):
        log_size[g] = mean_size[g - 1] + scales[g] * x[g]
        square += x[g] * x[g]
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
            work,
            sums,
        )
    value = trap_year_chance(
        i,
        log_size,
        want,
        requirement,
        concentration,
        stray,
        factors[i],
        covariates[i],
        args[8],
        args[10],
        args[12],
        args[13],
        args[14],
        args[15],
        args[16],
        args[17],
        args[18][i],
        work,
        sums,
        latent,
        information,
        gradient,
    )
    return value - 0.5 * square - flights * _HALF_LOG_2PI


@njit(cache=True, error_model="numpy")
def _trap_year_integral(  # type: ignore[no-untyped-def]
    i, centre, want, args, scales, grid, weights, mode, room
):
    """Integrate the latent values of trap-year `i` with the group's shift at `centre`.

    Returns the log integral, its slope in `centre` and minus its (expected-type) curvature there; fills
    ``room.gradient`` with the slopes in the parameters when `want`. `mode` holds the last mode and is renewed.
    """
    latent, information, gradient = room[2], room[3], room[4]
    trial, direction, factor, matrix, terms, slopes, grads, mean_gradient = room[6:]
    flights = mode.shape[0]
    # A literal True or False is a type of its own to the compiler, and would have every callee built again.
    quiet = flights < 1
    fresh = not quiet
    value = _log_integrand(i, mode, centre, fresh, quiet, args, scales, room)
    for _ in range(30):
        for a in range(flights):
            direction[a] = scales[a] * latent[a] - mode[a]
            for b in range(flights):
                matrix[a, b] = scales[a] * scales[b] * information[a, b]
            matrix[a, a] += 1.0
        _cholesky(matrix, factor)
        _solve(factor, direction, trial)
        length = 0.0
        for a in range(flights):
            direction[a] = trial[a]
            # Distance in posterior standard deviations.
            length = max(length, abs(direction[a]) * factor[a, a])
        if length < 1e-3:
            break
        step = min(1.0, 4.0 / length)
        moved = False
        for _half in range(12):
            for a in range(flights):
                trial[a] = mode[a] + step * direction[a]
            new = _log_integrand(i, trial, centre, fresh, quiet, args, scales, room)
            if new >= value - 1e-10:
                moved = True
                break
            step *= 0.5
        if not moved:
            # The slopes now belong to the last trial; restore those of the mode.
            value = _log_integrand(i, mode, centre, fresh, quiet, args, scales, room)
            break
        gain = new - value
        value = new
        for a in range(flights):
            mode[a] = trial[a]
        if length < 0.1 and gain < 1e-7:
            for a in range(flights):
                for b in range(flights):
                    matrix[a, b] = scales[a] * scales[b] * information[a, b]
                matrix[a, a] += 1.0
            _cholesky(matrix, factor)
            break

    # Curvature of the log integral in the centre: the information left when the own shift and sizes give way.
    for a in range(flights):
        direction[a] = scales[a] * information[a, 0]
    _solve(factor, direction, trial)
    curvature = information[0, 0]
    for a in range(flights):
        curvature -= direction[a] * trial[a]
    curvature = max(curvature, 0.0)

    log_det = 0.0
    for a in range(flights):
        log_det += math.log(factor[a, a])
    everything = grid.shape[0]
    highest = -1e300
    size = mean_gradient.shape[0]
    _inverse_factor(factor, matrix)
    for q in range(everything):
        for a in range(flights):
            trial[a] = mode[a]
            for b in range(a + 1):
                trial[a] += matrix[a, b] * grid[q, b]
        # Neighbouring nodes share the shift, and with it the curves.
        fresh = q == 0 or grid[q, 0] != grid[q - 1, 0]
        terms[q] = weights[q] + _log_integrand(i, trial, centre, fresh, want, args, scales, room)
        highest = max(highest, terms[q])
        for a in range(flights):
            slopes[q, a] = latent[a]
            slopes[q, flights + a] = trial[a]
        if want:
            for p in range(size):
                grads[q, p] = gradient[p]
    total_weight = 0.0
    for q in range(everything):
        terms[q] = math.exp(terms[q] - highest)
        total_weight += terms[q]
    slope = 0.0
    if want:
        for p in range(size):
            mean_gradient[p] = 0.0
    for q in range(everything):
        share = terms[q] / total_weight
        slope += share * slopes[q, 0]
        if want:
            for p in range(size):
                mean_gradient[p] += share * grads[q, p]
            mean_gradient[2 * flights + 3] += share * scales[0] * slopes[q, flights] * slopes[q, 0]
            for g in range(1, flights):
                mean_gradient[2 * flights + 3 + g] += share * slopes[q, g]
                mean_gradient[3 * flights + 2 + g] += (
                    share * scales[g] * slopes[q, flights + g] * slopes[q, g]
                )
    return highest + math.log(total_weight) - log_det, slope, curvature


@njit(cache=True, error_model="numpy", nogil=True)
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
    group_mode,
    modes,
    want,
    values,
    gradients,
    group_mean,
):
    """Fill the log-likelihood of each group and its slopes.

    Parameters
    ----------
    first_group, last_group : int
        Groups to fill, the last one not included; disjoint ranges may run in threads side by side.
    group_of : array of int, shape (groups + 1,)
        Where each group's members begin in `members`.
    members : array of int
        Trap-years by group.
    group_sd : float
        SD of the shift that a group's trap-years share [degC d]; 0 for none.
    scales : array, shape (flights,)
        SD of the trap-year shift [degC d], then of the log sizes of flights 2, 3, ….
    args : tuple
        Curve, parameters and data of :func:`phenofit.flight.counts.trap_year_chance`, in its order.
    inner_grid : array, shape (nodes, flights)
        Gauss-Hermite product nodes for the weight exp(-t^2 / 2), those of no weight left away.
    outer_nodes : array
        Nodes for the group's shift.
    inner_weights, outer_weights : array
        Logarithms of the weights times exp(t^2 / 2).
    group_mode : array, shape (groups,)
        In and out: mode of the group shift in SDs, where the search begins.
    modes : array, shape (trap-years, flights)
        In and out: modes of the latent values in SDs.
    want : bool
        Whether slopes are wanted.
    values : array, shape (groups,)
        Out: log-likelihoods.
    gradients : array, shape (groups, gradient_size)
        Out: slopes.
    group_mean : array, shape (groups, 2)
        Out: posterior mean and SD of the group shift [degC d].
    """
    flights = scales.shape[0]
    size = gradients.shape[1]
    inner = inner_grid.shape[0]
    outer = outer_nodes.shape[0]
    edge_of = args[8]
    widest = 0
    for i in range(edge_of.shape[0] - 1):
        widest = max(widest, edge_of[i + 1] - edge_of[i])
    # work, sums, latent, information, gradient, log_size; then trial, direction, factor, matrix, terms, slopes,
    # grads and, last, the mean gradient.
    room = (
        np.empty((5, flights, widest)),
        np.empty((5, flights)),
        np.empty(flights),
        np.empty((flights, flights)),
        np.zeros(size),
        np.zeros(flights),
        np.empty(flights),
        np.empty(flights),
        np.zeros((flights, flights)),
        np.zeros((flights, flights)),
        np.empty(inner),
        np.empty((inner, 2 * flights)),
        np.zeros((inner, size)),
        np.zeros(size),
    )
    own = np.empty(flights)
    terms = np.empty(outer)
    places = np.empty(outer)
    sums = np.empty((outer, size))
    # One node at the mode is enough to find the mode of the group's shift; it only places the nodes.
    quiet = flights < 1
    single = np.zeros((1, flights))
    single_weight = np.zeros(1)
    for y in range(first_group, last_group):
        first, last = group_of[y], group_of[y + 1]
        if group_sd <= 0.0:
            total = 0.0
            if want:
                for p in range(size):
                    gradients[y, p] = 0.0
            for k in range(first, last):
                i = members[k]
                value, slope, curvature = _trap_year_integral(
                    i, 0.0, want, args, scales, inner_grid, inner_weights, modes[i], room
                )
                total += value
                if want:
                    for p in range(size):
                        gradients[y, p] += room[-1][p]
            values[y] = total
            group_mean[y, 0] = 0.0
            group_mean[y, 1] = 0.0
            continue
        # Mode of the group's shift by Newton steps.
        r = group_mode[y]
        value = 0.0
        steepness = 1.0
        for attempt in range(25):
            slope_sum = 0.0
            curve_sum = 0.0
            for k in range(first, last):
                i = members[k]
                _value, slope, curvature = _trap_year_integral(
                    i, group_sd * r, quiet, args, scales, single, single_weight, modes[i], room
                )
                slope_sum += slope
                curve_sum += curvature
            steepness = 1.0 + group_sd * group_sd * curve_sum
            step = (group_sd * slope_sum - r) / steepness
            limit = 3.0 / (1.0 + 0.5 * attempt)
            r += max(-limit, min(limit, step))
            if abs(step) * math.sqrt(steepness) < 0.02:
                break
        group_mode[y] = r
        scale = 1.0 / math.sqrt(steepness)
        highest = -1e300
        for o in range(outer):
            places[o] = r + scale * outer_nodes[o]
            total = -0.5 * places[o] * places[o] - _HALF_LOG_2PI + outer_weights[o]
            if want:
                for p in range(size):
                    sums[o, p] = 0.0
            for k in range(first, last):
                i = members[k]
                for p in range(flights):
                    own[p] = modes[i, p]
                value, slope, curvature = _trap_year_integral(
                    i, group_sd * places[o], want, args, scales, inner_grid, inner_weights, own, room
                )
                total += value
                if want:
                    for p in range(size):
                        sums[o, p] += room[-1][p]
                    sums[o, 2 * flights + 2] += group_sd * places[o] * slope
            terms[o] = total
            highest = max(highest, total)
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
