r"""Shifts of years and of sites at once: crossed, so that no nesting separates them. Laplace's rule over both.

With ``v`` the year and ``w`` the site shifts in their own SDs, the log integrand is

    f(v, w) = sum_i l_i(c_i) - (|v|^2 + |w|^2) / 2,   c_i = tau_year v_year(i) + tau_site w_site(i),

``l_i`` the log integral of trap-year `i` over its own shift and flight sizes (Gauss-Hermite, as elsewhere). It is
expanded about its top: log-likelihood = f(top) - log det(H) / 2, H = I + Z' K Z, K the curvatures -l_i''.

All that is needed of a trap-year are moments of its own shift under its nodes: with the nodes placed at ``c`` and the
shift moved by ``d`` own SDs, ``l(d) = log sum_q exp(t_q + x_q d - d^2 / 2)``; the slopes of `l` in `d` are cumulants of
``x`` and the slopes of its parameter gradient are covariances with ``x``. So the gradient of the whole, that of the
determinant and of the moving top included, comes in closed form.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from phenofit.flight.kernels.arguments import (
    Floats,
    Ints,
    ModelValues,
    Places,
    TrapRecords,
    make_nodes,
    make_room,
    make_search,
)
from phenofit.flight.kernels.integrate import fill_nodes, find_mode
from phenofit.heat.compiled.compiler import compiled


@compiled
def trap_year_slopes(
    first: int,
    last: int,
    centres: Floats,
    records: TrapRecords,
    values: ModelValues,
    modes: Floats,
    slopes: Floats,
) -> None:
    """Fill slope and minus curvature of each trap-year's log integral at its centre, by Laplace's rule."""
    room = make_room(records, values)
    search = make_search(values.latent_sd.shape[0])
    for i in range(first, last):
        slope, curvature = find_mode(i, centres[i], records, values, modes[i], 0.01, room, search)
        slopes[i, 0] = slope
        slopes[i, 1] = curvature


@compiled
def trap_year_moments(
    first: int,
    last: int,
    centres: Floats,
    records: TrapRecords,
    values: ModelValues,
    grid: Floats,
    weights: Floats,
    modes: Floats,
    want: bool,
    cumulants: Floats,
    gradients: Floats,
) -> None:
    """Fill the log integral of each trap-year, the cumulants of its shift, and how its slopes follow the centre."""
    own_sd = values.latent_sd[0]
    size = gradients.shape[2]
    count = grid.shape[0]
    room = make_room(records, values)
    own, dims = room.places.shift_sd, values.latent_sd.shape[0]
    search, nodes = make_search(dims), make_nodes(count, dims, size)
    terms, slopes, grads, made = nodes.terms, nodes.slopes, nodes.gradients, nodes.weights
    shifts = nodes.latent[:, 0]
    for i in range(first, last):
        fill_nodes(i, centres[i], want, records, values, grid, weights, modes[i], room, search, nodes)
        highest = -1e300
        for q in range(count):
            highest = max(highest, terms[q])
        total = 0.0
        mean = 0.0
        for q in range(count):
            made[q] = math.exp(terms[q] - highest)
            total += made[q]
            mean += made[q] * shifts[q]
        mean /= total
        variance = 0.0
        third = 0.0
        fourth = 0.0
        slope_mean = 0.0
        slope_with = 0.0
        for q in range(count):
            made[q] /= total
            off = shifts[q] - mean
            variance += made[q] * off * off
            third += made[q] * off * off * off
            fourth += made[q] * off * off * off * off
            slope_mean += made[q] * slopes[q]
            slope_with += made[q] * slopes[q] * off
        cumulants[i, 0] = highest + math.log(total)
        cumulants[i, 1] = mean
        cumulants[i, 2] = variance
        cumulants[i, 3] = third
        cumulants[i, 4] = fourth - 3.0 * variance * variance
        if not want:
            continue
        for p in range(size):
            for k in range(3):
                gradients[i, k, p] = 0.0
        for q in range(count):
            grads[q, own] = own_sd * shifts[q] * slopes[q]
            for p in range(size):
                gradients[i, 0, p] += made[q] * grads[q, p]
        for q in range(count):
            off = shifts[q] - mean
            for p in range(size):
                part = made[q] * (grads[q, p] - gradients[i, 0, p])
                gradients[i, 1, p] += part * off
                gradients[i, 2, p] += part * (off * off - variance)
        # The slope in the own SD belongs to x - d, which itself moves with d.
        gradients[i, 1, own] -= own_sd * slope_mean
        gradients[i, 2, own] -= 2.0 * own_sd * slope_with


@dataclass(frozen=True)
class Expansion:
    """The log integrand about its top."""

    scale: tuple[float, float]  # SDs of years and sites [degC d].
    matrix: Information
    third: Floats  # Shape (trap-years,): Third slope of each log integral in its centre.
    fourth: Floats


@dataclass
class CrossedShifts:
    """Which year and which site each trap-year has, and where the last search ended."""

    year: Ints  # Shape (trap-years,): Numbers from 0.
    site: Ints
    years: int  # How many there are.
    sites: int
    top: Floats  # Shape (years + sites,): Shifts in SDs at the last top.
    gap: Floats  # Of the same shape: how far that top is from where Laplace's rule for each trap-year has it.
    expansion: Expansion | None = None  # About the last top.

    def spread(self, scale: tuple[float, float], shifts: Floats) -> Floats:
        """Return the shift of each trap-year [degC d] from those of years and sites in SDs."""
        return np.asarray(scale[0] * shifts[self.year] + scale[1] * shifts[self.years + self.site])

    def gather(self, scale: tuple[float, float], values: Floats) -> Floats:
        """Return the sums of trap-years' values by year and by site, times the SDs."""
        by_year = np.bincount(self.year, values, self.years)
        return np.concatenate([scale[0] * by_year, scale[1] * np.bincount(self.site, values, self.sites)])

    def information(self, scale: tuple[float, float], curvature: Floats) -> Information:
        """Return ``I + Z' K Z``."""
        y, s = self.years, self.sites
        both = np.bincount(self.year * s + self.site, curvature, y * s).reshape(y, s)
        return Information(
            np.asarray(1.0 + scale[0] ** 2 * np.bincount(self.year, curvature, y), dtype=np.float64),
            np.asarray(1.0 + scale[1] ** 2 * np.bincount(self.site, curvature, s), dtype=np.float64),
            np.asarray(scale[0] * scale[1] * both, dtype=np.float64),
        )


class Information:
    """The matrix of years and sites, of which only years with sites are not diagonal: the sites are eliminated."""

    def __init__(self, years: Floats, sites: Floats, both: Floats) -> None:
        self.years, self.sites, self.both = years, sites, both
        self._ratio = both / sites
        left = np.diag(years) - self._ratio @ both.T
        self._inverse = np.linalg.inv(0.5 * (left + left.T))
        self._log_det = float(np.linalg.slogdet(left)[1])

    @property
    def diagonal(self) -> Floats:
        """Diagonal of the matrix itself."""
        return np.concatenate([self.years, self.sites])

    @property
    def log_det(self) -> float:
        """Logarithm of the determinant."""
        return self._log_det + float(np.log(np.abs(self.sites)).sum())

    def solve(self, right: Floats) -> Floats:
        """Return the inverse times a vector, or times each column of a matrix."""
        y = len(self.years)
        years = self._inverse @ (right[:y] - self._ratio @ right[y:])
        divisor = self.sites if right.ndim == 1 else self.sites[:, None]
        return np.concatenate([years, (right[y:] - self.both.T @ years) / divisor])

    def inverse_blocks(self) -> tuple[Floats, Floats, Floats]:
        """Return the blocks of the inverse: of years, of sites, and of years (rows) with sites."""
        across = -self._inverse @ self._ratio
        of_sites = np.asarray(np.diag(1.0 / self.sites) - self._ratio.T @ across, dtype=np.float64)
        return np.asarray(self._inverse, dtype=np.float64), of_sites, np.asarray(across, dtype=np.float64)

    def inverse_parts(self) -> tuple[Floats, Floats]:
        """Return the diagonal of the inverse, and its block of years (rows) and sites."""
        across = -self._inverse @ self._ratio
        of_sites = 1.0 / self.sites - (self._ratio * across).sum(axis=0)
        return np.concatenate([np.diag(self._inverse), of_sites]), across


def crossed_likelihood(
    shifts: CrossedShifts,
    scale: tuple[float, float],
    own: float,
    places: Places,
    slopes_at: Callable[[Floats], Floats],
    moments_at: Callable[[Floats, bool], tuple[Floats, Floats]],
    *,
    want: bool,
) -> tuple[float, Floats, Floats]:
    """Return the log-likelihood with crossed shifts, its gradient, and the shifts."""
    b = shifts.top - shifts.gap
    for attempt in range(60):
        found = slopes_at(shifts.spread(scale, b))
        matrix = shifts.information(scale, found[:, 1])
        step = matrix.solve(shifts.gather(scale, found[:, 0]) - b)
        length = float(np.abs(step * np.sqrt(matrix.diagonal)).max())
        b = b + step * (4.0 / max(4.0, length * (1.0 + 0.2 * attempt)))
        if length < 5e-2:
            break
    # The last steps use the integrals themselves: Laplace's determinant needs the maximum of the expanded function.
    # It lies about as far from that of Laplace's rule for each trap-year as it did the last time.
    rough = b
    b = b + shifts.gap
    for _ in range(20):
        cumulants, gradients = moments_at(shifts.spread(scale, b), want)
        first = cumulants[:, 1] / own
        curvature = (1.0 - cumulants[:, 2]) / own**2
        matrix = shifts.information(scale, curvature)
        step = matrix.solve(shifts.gather(scale, first) - b)
        length = float(np.abs(step * np.sqrt(np.maximum(matrix.diagonal, 1e-12))).max())
        if length < 2e-3:
            break
        b = b + step * (2.0 / max(length, 2.0))
    else:
        step = np.zeros(len(b))
    # So short a step needs no new integrals: each function of the centres follows its slopes.
    last = shifts.spread(scale, step)
    third = -cumulants[:, 3] / own**3  # slope of the curvature in the centre
    b = b + step
    value = float((cumulants[:, 0] + last * (first - 0.5 * last * curvature)).sum() - 0.5 * b @ b)
    first = first - last * curvature
    curvature = curvature + last * third
    matrix = shifts.information(scale, curvature)
    shifts.top = b
    shifts.gap = b - rough
    shifts.expansion = Expansion(scale, matrix, cumulants[:, 3] / own**3, cumulants[:, 4] / own**4)
    diagonal, across = matrix.inverse_parts()
    value -= 0.5 * matrix.log_det
    y = shifts.years
    size = np.concatenate([np.full(y, scale[0]), np.full(shifts.sites, scale[1])])
    known = np.column_stack([size * b, size * np.sqrt(np.maximum(diagonal, 0.0))])
    gradient = np.zeros(gradients.shape[2])
    if not want:
        return value, gradient, known
    site = y + shifts.site
    leverage = (
        scale[0] ** 2 * diagonal[shifts.year]
        + scale[1] ** 2 * diagonal[site]
        + 2.0 * scale[0] * scale[1] * across[shifts.year, shifts.site]
    )

    def along(moved: Floats) -> Floats:
        # By how much half the log determinant falls where the centres move so; one column for each parameter.
        return np.asarray(-0.5 * (leverage * third) @ moved)

    # Parameters of the trap-years themselves: slopes of the curvature at a fixed centre, and through the top.
    curvature_slopes = -gradients[:, 2, :] / own**2
    pulls = np.column_stack([shifts.gather(scale, column) for column in (gradients[:, 1, :] / own).T])
    tops = matrix.solve(pulls)
    centres = scale[0] * tops[shifts.year] + scale[1] * tops[site]
    own_slopes = gradients[:, 0, :].sum(axis=0) + last @ gradients[:, 1, :] / own
    gradient[:] = own_slopes - 0.5 * leverage @ curvature_slopes + along(centres)
    # The two SDs, by their logarithms.
    for place, mine, moved in (
        (places.group_sd, slice(0, y), scale[0] * b[shifts.year]),
        (places.cross_sd, slice(y, None), scale[1] * b[site]),
    ):
        pull = -shifts.gather(scale, curvature * moved)
        pull[mine] += b[mine]
        top = matrix.solve(pull)
        centre = moved + scale[0] * top[shifts.year] + scale[1] * top[site]
        gradient[place] = float(first @ moved) - float((1.0 - diagonal[mine]).sum()) + float(along(centre))
    return value, gradient, known
