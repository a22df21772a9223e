r"""Widths of the intervals of base and requirement, from profile likelihoods of drawn flight dates.

Notes
-----
A trap-year gives the date of half of each flight, with an error. The heat of that date above a base :math:`b` is
:math:`H_{ijg}(b) = m_g + y_i + u_{ij} + e_{ijg}`: requirement, shift of the year (or site), shift of the trap-year, and the
error of the date, whose variance :math:`v_g` the expected information gives. In a balanced network the likelihood has a
closed form (McCulloch, Searle and Neuhaus 2008, *Generalized, Linear, and Mixed Models*, from memory): with
:math:`\bar H` the mean over flights, each weighted by its error, and :math:`B` and :math:`W` its sums of squares between and
within the `n` years of `s` traps,

.. math:: n \log \lambda_1 + B / \lambda_1 + n (s - 1) \log \lambda_2 + W / \lambda_2 - n s \log \bar v + Q + D,

where :math:`\lambda_2 = \sigma_u^2 + \bar v` and :math:`\lambda_1 = s \sigma_y^2 + \lambda_2` are fitted and :math:`\bar v` is
the error of :math:`\bar H`, which grows with the heat per day. :math:`Q` is the sum of squares between the flights of a
trap-year, :math:`D` that of the log spreads of the flights, each over its known error: above the true base all flights
have one spread. So the interval of the base may be skewed or open, and few years that lie close together make it wide, as
in a fit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from phenofit.flight.intervals.reference_distribution import cut_of_ratio
from phenofit.plan.assumed_truth import PlanTruth
from phenofit.plan.weather_seasons import PlanWeather

Floats = npt.NDArray[np.float64]

_DRAWS, _SEED = 600, 5
_BASES = 81  # points of a profile
_LARGEST = 2_000_000  # numbers in memory at a time
_HALVINGS = 30
_LEAST_SPREAD = 0.1  # [degC d], for a base that is hardly exceeded while moths fly
_FARTHEST = 50.0  # SDs of a trap-year's heat within which the end of an interval is looked for


@dataclass(frozen=True)
class DateErrors:
    """SDs of the errors in the date and duration of a flight that a trap-year gives."""

    date: Floats  # Of the date of its half [degC d].
    spread: Floats  # Of its log spread.


def median_widths(
    truth: PlanTruth, weather: PlanWeather, *, sites: int, years: int, errors: DateErrors, degrees: float
) -> tuple[float, Floats]:
    """Return the median width of the interval of the base [degC], and of each requirement [degC d].

    Flight dates of networks are drawn on seasons drawn from the past, and profiled with `degrees` degrees of freedom. An open
    interval is infinitely wide; the width of a held base is zero.
    """
    rng = np.random.default_rng(_SEED)
    held = truth.settings.base_held is not None
    grid = np.unique([*([] if held else np.linspace(*truth.settings.base_range, _BASES)), truth.base])
    heat = np.stack([weather.heat(base, truth.settings.heat)[0] for base in grid])
    at = int(np.searchsorted(grid, truth.base))
    cut = cut_of_ratio(truth.settings.level, 1, degrees)
    size = max(_LARGEST // (3 * len(grid) * sites * years * len(truth.spreads)), 1)
    found: list[Floats] = []
    for first in range(0, _DRAWS, size):
        networks = _draw(truth, weather, heat, at, (min(size, _DRAWS - first), years, sites), errors, rng)
        found.append(_widths(networks, grid, cut))
    base, *requirement = np.median(np.concatenate(found), axis=0)
    return float(base), np.array(requirement)


@dataclass(frozen=True)
class Networks:
    """What the dates of networks say at each base of a grid, shape (networks, bases); see the module for the letters."""

    groups: int  # That share a shift; 0 where none do.
    size: int  # Trap-years of each; all where there are no groups.
    own: bool  # Whether a shift of the trap-year is fitted.
    between: Floats  # B.
    within: Floats  # W.
    known: Floats  # Q and D: sums of squares against errors that are known.
    error: Floats  # The variance of the weighted heat.
    mean: Floats  # With a last axis for the flights: mean heat of each.
    errors: Floats  # The same: variance of its error.

    def deviance(self, away: Floats | float = 0.0, further: Floats | float = 0.0) -> Floats:
        """Return twice the negative log-likelihood, up to a constant.

        `away` is the distance of a requirement from the fitted one, `further` by how much the variance of its error is above
        that of the weighted heat.
        """
        total = max(self.groups, 1) * self.size
        moved = total * np.square(away)
        # One variance for all, unless groups differ by more than their trap-years do.
        one = (self.between + self.within + moved) / total if self.own else self.error
        one = np.maximum(one, self.error)
        first, second = one, one
        if self.groups:
            spare = total - self.groups
            apart = np.maximum(self.within / max(spare, 1), self.error) if self.own else self.error
            shared = (self.between + moved) / self.groups
            first, second = np.where(shared > apart, shared, one), np.where(shared > apart, apart, one)
        count = self.groups or total
        return np.asarray(
            count * np.log(first / self.error)
            + self.between / first
            + moved / (first + further)
            + (total - count) * np.log(second / self.error)
            + self.within / (second if self.groups else first)
            + self.known
        )

    def farthest(self, further: Floats) -> Floats:
        """Return a distance of a requirement from the fitted one that no interval reaches."""
        mean_square = (self.between + self.within) / (max(self.groups, 1) * self.size)
        return np.asarray(_FARTHEST * np.sqrt(mean_square + self.error + further))


def _widths(networks: Networks, grid: Floats, cut: float) -> Floats:
    """Return the widths of the intervals of the base and of each requirement, shape (networks, 1 + flights)."""
    deviance = networks.deviance()
    limit = deviance.min(axis=1, keepdims=True) + cut
    ends = [_base_end(grid, deviance, limit[:, 0], side) for side in (-1, 1)]
    within = (grid >= ends[0][:, None]) & (grid <= ends[1][:, None])
    held = len(grid) == 1
    out = [np.zeros(len(deviance)) if held else ends[1] - ends[0]]
    for g in range(networks.mean.shape[2]):
        mean, further = networks.mean[:, :, g], networks.errors[:, :, g] - networks.error
        # With the base held, how far the requirement may move before its likelihood is too low.
        low, high = np.zeros_like(mean), networks.farthest(further)
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            inside = networks.deviance(middle, further) < limit
            low, high = np.where(inside, middle, low), np.where(inside, high, middle)
        reach = np.where(within, low, -np.inf)
        top, bottom = (mean + reach).max(axis=1), (mean - reach).min(axis=1)
        if not held:
            # The ends of the base's interval lie between the points of the grid.
            tips = np.array(
                [[np.interp(np.clip(e, grid[0], grid[-1]), grid, row) for e in pair]
                 for row, pair in zip(mean, np.transpose(ends), strict=True)]
            )  # fmt: skip
            top, bottom = np.maximum(top, tips.max(axis=1)), np.minimum(bottom, tips.min(axis=1))
        out.append(top - bottom)
    return np.column_stack(out)


def _base_end(grid: Floats, deviance: Floats, limit: Floats, side: int) -> Floats:
    """Return where the deviance of each network first passes its limit, on one side of the least; infinite where not."""
    out = np.full(len(deviance), side * np.inf)
    for k, (row, most) in enumerate(zip(deviance, limit, strict=True)):
        best = int(np.argmin(row))
        at = np.arange(best, len(grid)) if side > 0 else np.arange(best, -1, -1)
        beyond = np.flatnonzero(row[at] > most)
        if beyond.size:
            last, first = at[beyond[0] - 1], at[beyond[0]]
            root = np.sqrt(np.maximum(np.array([row[last], most, row[first]]) - row[best], 0.0))
            out[k] = grid[last] + (grid[first] - grid[last]) * (root[1] - root[0]) / (root[2] - root[0])
    return out


def _draw(
    truth: PlanTruth,
    weather: PlanWeather,
    heat: Floats,
    at: int,
    shape: tuple[int, int, int],
    errors: DateErrors,
    rng: np.random.Generator,
) -> Networks:
    """Draw the dates of networks; `heat` has the bases, seasons and stations, and days, `at` is the true base."""
    networks, years, sites = shape
    places = len(weather.stations)
    season = rng.integers(0, weather.seasons, (networks, years, 1))
    source = np.broadcast_to(season * places + np.arange(sites) % places, shape)
    settings, flights = truth.settings, len(truth.spreads)
    shift = (
        truth.shift_sd_year * rng.standard_normal((networks, years, 1))
        + truth.shift_sd_site * rng.standard_normal((networks, 1, sites))
        + truth.shift_sd * rng.standard_normal(shape)
    )
    half = (
        np.array(truth.requirements) + shift[..., None] + errors.date * rng.standard_normal((*shape, flights))
    )
    away = np.array(truth.spreads) * np.exp(errors.spread * rng.standard_normal(half.shape))
    flown = _heat_of_dates(heat, at, source, np.concatenate([half - away, half, half + away], axis=-1))
    if settings.group == "site":
        flown = np.moveaxis(flown, 2, 1)
    first, middle, last = np.split(flown, 3, axis=-1)
    return summarised(
        middle,
        np.log(np.maximum(0.5 * (last - first), _LEAST_SPREAD)),
        errors,
        at,
        shared=settings.group is not None and flown.shape[1] > 1,
        own="trap-year" in settings.shifts,
    )


def summarised(
    flown: Floats, log_spread: Floats, errors: DateErrors, at: int, *, shared: bool, own: bool
) -> Networks:
    """Return the sums of squares of the heat at dates and of log spreads; `at` is the true base.

    Both have the shape (networks, groups, trap-years of each, bases, flights).
    """
    # The error is one in days: its heat grows as that between the dates of a flight.
    stretch = np.exp((log_spread - log_spread[:, :, :, at : at + 1]).mean(axis=(1, 2)))
    variance = np.square(errors.date * stretch)
    uneven = (log_spread - log_spread.mean(axis=(1, 2), keepdims=True)) / errors.spread
    groups, size = flown.shape[1:3]
    weight = 1.0 / variance
    mean_error = 1.0 / weight.sum(axis=2)
    weighted = np.einsum("kgsbf,kbf->kgsb", flown, weight) * mean_error[:, None, None]
    middle = weighted.mean(axis=(1, 2), keepdims=True)
    group = weighted.mean(axis=2, keepdims=True) if shared else middle
    mean = flown.mean(axis=(1, 2))
    off = flown - weighted[..., None] - (mean - middle[:, 0, 0, :, None])[:, None, None]
    return Networks(
        groups=groups if shared else 0,
        size=size if shared else groups * size,
        own=own,
        between=(size * np.square(group - middle)).sum(axis=(1, 2)),
        within=np.square(weighted - group).sum(axis=(1, 2)),
        known=np.einsum("kgsbf,kbf->kb", np.square(off), weight) + np.square(uneven).sum(axis=(1, 2, 4)),
        error=mean_error,
        mean=mean,
        errors=variance,
    )


def _heat_of_dates(heat: Floats, at: int, source: npt.NDArray[np.int64], amount: Floats) -> Floats:
    """Return the heat above each base when the true base has some amounts, shape (..., bases, amounts)."""
    last = heat.shape[2] - 1
    day = np.empty(amount.shape)
    for k in np.unique(source):
        # Days without heat make flat stretches; a rise too small to count keeps the inverse single-valued.
        here = source == k
        day[here] = np.interp(amount[here], heat[at, k] + 1e-9 * np.arange(last + 1), np.arange(last + 1))
    before = np.minimum(day.astype(np.int64), last - 1)
    part = (day - before)[..., None]
    by_day, row = heat.transpose(1, 2, 0), source[..., None]
    flown = by_day[row, before] * (1.0 - part) + by_day[row, before + 1] * part
    return np.moveaxis(flown, -1, -2)
