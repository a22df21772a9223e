"""Mean heat at fixed reference moments of a data set, as a smooth function of the base temperature.

A search in base and requirement follows one bent ridge. Measured from the heat at a fixed moment of each trap-year,
and in days, the parameters are nearly orthogonal to the base (Cox and Reid 1987, J. R. Statist. Soc. B 49:1-39). The
functions here only define coordinates. They need not be exact, but they must be the same in a search, its profiles
and the draws from a fit. A few hundred trap-years and some dozen bases are therefore enough.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

from phenofit.heat.compiled.daily_kernels import running_heat
from phenofit.heat.settings import HeatSettings

if TYPE_CHECKING:
    from phenofit.flight.likelihood.flight_data import FlightData

Floats = npt.NDArray[np.float64]

_MOST_TRAP_YEARS = 60
_BASES = 21
_FEW_MOTHS = 10
_WINDOW = 7.0  # days on each side over which the heat per day is taken
_LEAST_HEAT, _LEAST_PER_DAY = 1.0, 0.05  # keep the coordinates defined where no day is warmer than the base


class HeatAtReference(NamedTuple):
    """The reference heat at one base or several, each with its slope in the base; one row for each flight."""

    heat: Floats
    heat_slope: Floats
    per_day: Floats
    per_day_slope: Floats
    between: Floats  # Heat per day from the reference moment of the flight before.
    between_slope: Floats


@dataclass(frozen=True)
class ReferenceHeat:
    """Mean heat at the reference moments of each flight, and heat per day there, at a grid of bases."""

    bases: Floats  # [degC]
    heat: Floats  # Shape (flights, bases) [degC d].
    per_day: Floats  # Shape (flights, bases) [degC].
    between: Floats  # Shape (flights, bases) [degC].

    @property
    def flights(self) -> int:
        """Number of flights."""
        return len(self.heat)

    @cached_property
    def _logs(self) -> CubicSpline:
        # Logarithms keep the interpolated values positive.
        return CubicSpline(self.bases, np.log(np.stack([self.heat, self.per_day, self.between], axis=1)).T)

    def at(self, base: float | Floats) -> HeatAtReference:
        """Return the reference heat at a base; of an array of bases, with shape (flights, bases)."""
        inside = np.clip(base, self.bases[0], self.bases[-1])
        values = np.exp(self._logs(inside))
        slopes = values * self._logs(inside, 1)
        # (..., kinds, flights) to (kinds, flights, ...)
        value, slope = np.moveaxis(values, (-2, -1), (0, 1)), np.moveaxis(slopes, (-2, -1), (0, 1))
        return HeatAtReference(value[0], slope[0], value[1], slope[1], value[2], slope[2])


def reference_heat(
    data: FlightData, heat: HeatSettings, flights: int, base_range: tuple[float, float]
) -> ReferenceHeat:
    """Return the reference heat of a data set."""
    moments = reference_days(data, flights)
    chosen = np.unique(
        np.linspace(0, data.trap_years - 1, min(data.trap_years, _MOST_TRAP_YEARS)).astype(int)
    )
    moments = moments[chosen]
    series, at = np.unique(data.edge_series[data.edge_of[chosen]], return_inverse=True)
    tmin, tmax = data.tmin[series], data.tmax[series]
    missing = ~(np.isfinite(tmin) & np.isfinite(tmax))
    # Just before the first missing day, so that no missing value is read.
    last = np.where(missing.any(axis=1), missing.argmax(axis=1), tmin.shape[1])[at, None] - 1e-6
    before = np.maximum(moments - _WINDOW, 0.0)
    after = np.clip(moments + _WINDOW, 0.0, last)
    middle = np.clip(moments, 0.0, last)
    width = np.maximum((after - before).mean(axis=0), 1.0)
    bases = np.linspace(*base_range, _BASES)
    found = np.empty((3, flights, _BASES))
    days = np.maximum(np.diff(middle.mean(axis=0), prepend=0.0), 0.0)
    for k, base in enumerate(bases):
        total = running_heat(tmin, tmax, float(base), heat.upper_or_inf, heat.method_code, heat.cutoff_code)[
            0
        ]
        here, late, early = (_interpolated(total, at, when) for when in (middle, after, before))
        found[0, :, k] = here.mean(axis=0)
        found[1, :, k] = (late - early).mean(axis=0) / width
        found[2, :, k] = np.diff(found[0, :, k], prepend=0.0)
    found[0] = np.maximum(found[0], _LEAST_HEAT)
    found[1] = np.maximum(found[1], _LEAST_PER_DAY)
    for g in range(flights):
        # Two flights in one check have one reference moment: the heat per day there serves for both.
        found[2, g] = found[2, g] / days[g] if days[g] >= 1.0 else found[1, g]
    found[2] = np.maximum(found[2], _LEAST_PER_DAY)
    return ReferenceHeat(bases, found[0], found[1], found[2])


def _interpolated(total: Floats, at: npt.NDArray[np.int64], when: Floats) -> Floats:
    day = np.floor(when).astype(np.int64)
    low, high = total[at[:, None], day], total[at[:, None], day + 1]
    return np.asarray(low + (when - day) * (high - low))


def reference_days(data: FlightData, flights: int) -> Floats:
    """Return the reference moment of each trap-year and flight, days since the start: shape (trap-years, flights).

    It is the day by which ``(g - 1/2) / flights`` of the trap-year's moths were caught, or of all moths where the
    trap-year has few.
    """
    days = (data.edge_day + data.edge_part).astype(np.float64)
    middle = 0.5 * (days[data.catch_left] + days[data.catch_right])
    wanted = (np.arange(flights) + 0.5) / flights
    whole = _quantiles(middle, data.catch_count, wanted)
    out = np.tile(whole, (data.trap_years, 1))
    for i, (first, last) in enumerate(zip(data.catch_of[:-1], data.catch_of[1:], strict=True)):
        counts = data.catch_count[first:last]
        if counts.sum() >= _FEW_MOTHS:
            out[i] = _quantiles(middle[first:last], counts, wanted)
    return out


def _quantiles(days: Floats, counts: npt.NDArray[np.int64], wanted: Floats) -> Floats:
    order = np.argsort(days, kind="stable")
    passed = (np.cumsum(counts[order]) - 0.5 * counts[order]) / counts.sum()
    return np.interp(wanted, passed, days[order])
