"""The coordinates of a search: locations, spreads and shift SDs in days about the reference moments.

The likelihood takes base, requirements, spreads and shift SDs on the heat scale. A search, its curvature and the draws
from a fit use the vector ``z`` with the same places:

- the base itself, and all that is no heat sum, as in the likelihood's vector;
- first requirement ``m_1 = H exp(z R / H)``: ``z`` is its distance in days from the reference moment, to first order,
  and no value gives a negative requirement (``H`` the mean heat at the reference moments, ``R`` the heat per day there);
- later requirements ``m_g = m_(g-1) + D exp(z)``: the logarithm of the days after the flight before, so that flights
  cannot change places (``D`` the heat per day between the two);
- log spreads and log shift SDs: the logarithm of ``R`` is taken off, which leaves that of days.

A parameter that is held or profiled on the heat scale keeps its place there ("direct").
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from phenofit.flight.likelihood.parameters import Entry
from phenofit.flight.likelihood.reference_heat import HeatAtReference, ReferenceHeat

Floats = npt.NDArray[np.float64]

_STEP = 0.02  # step of differences, in units of a day, a logarithm or a degree
_HEAT_STEP = 0.5  # step of differences of a requirement in degree-days
_LARGEST = 50.0  # largest exponent


@dataclass(frozen=True)
class Coordinates:
    """A one-to-one map between the vector of the likelihood and that of a search."""

    entries: tuple[Entry, ...]
    reference: ReferenceHeat | None = None  # None leaves the vector of the likelihood as it is.
    direct: frozenset[int] = frozenset()  # Places that keep the heat scale.

    def keeping(self, places: Iterable[int]) -> Coordinates:
        """Return the coordinates in which these places too keep the heat scale."""
        return replace(self, direct=self.direct | {int(k) for k in places})

    @cached_property
    def _flights(self) -> tuple[tuple[int, bool], ...]:
        """Place of each requirement, and whether it is direct."""
        places = [k for k, entry in enumerate(self.entries) if entry.parameter.name == "requirement"]
        return tuple((k, k in self.direct) for k in places)

    @cached_property
    def _logs(self) -> tuple[tuple[int, int | None], ...]:
        """Places of logs of heat that are taken in days, and the flight of each; None for all flights."""
        found = []
        for k, entry in enumerate(self.entries):
            parameter = entry.parameter
            if k in self.direct or not parameter.on_heat_scale or parameter.transform != "log":
                continue
            found.append((k, int(entry.tail.removeprefix("_")) - 1 if parameter.first_flight else None))
        return tuple(found)

    def searched(self, theta: Floats) -> Floats:
        """Return the vector of a search; shape (..., parameters)."""
        if self.reference is None:
            return np.array(theta, dtype=np.float64)
        z = np.array(theta, dtype=np.float64)
        at = self.reference.at(theta[..., 0])
        before = np.zeros_like(z[..., 0])
        for g, (k, direct) in enumerate(self._flights):
            m = theta[..., k]
            if not direct:
                z[..., k] = (
                    at.heat[g] / at.per_day[g] * np.log(m / at.heat[g])
                    if g == 0
                    else np.log(np.maximum(m - before, 1e-6) / at.between[g])
                )
            before = m
        for k, flight in self._logs:
            z[..., k] -= np.log(_per_day(at, flight))
        return z

    def vector(self, z: Floats) -> Floats:
        """Return the vector of the likelihood; shape (..., parameters)."""
        if self.reference is None:
            return np.array(z, dtype=np.float64)
        theta = np.array(z, dtype=np.float64)
        at = self.reference.at(z[..., 0])
        before = np.zeros_like(theta[..., 0])
        for g, (k, direct) in enumerate(self._flights):
            if not direct:
                exponent = z[..., k] * (at.per_day[g] / at.heat[g] if g == 0 else 1.0)
                grown = np.exp(np.clip(exponent, -_LARGEST, _LARGEST))
                theta[..., k] = at.heat[g] * grown if g == 0 else before + at.between[g] * grown
            before = theta[..., k]
        for k, flight in self._logs:
            theta[..., k] += np.log(_per_day(at, flight))
        return theta

    def pulled(self, z: Floats, gradient: Floats) -> Floats:
        """Return the slopes in ``z`` of a function with these slopes in the vector of the likelihood."""
        slopes = np.array(gradient, dtype=np.float64)
        if self.reference is None:
            return slopes
        at = self.reference.at(float(z[0]))
        theta = self.vector(z)
        for g in range(len(self._flights) - 1, -1, -1):
            k, direct = self._flights[g]
            if direct:
                continue
            mine = slopes[k]
            if g == 0:
                rate = at.per_day[0] / at.heat[0]
                rate_slope = (at.per_day_slope[0] - rate * at.heat_slope[0]) / at.heat[0]
                slopes[0] += mine * theta[k] * (at.heat_slope[0] / at.heat[0] + z[k] * rate_slope)
                slopes[k] = mine * theta[k] * rate
            else:
                earlier = self._flights[g - 1][0]
                gap = theta[k] - theta[earlier]
                slopes[earlier] += mine
                slopes[0] += mine * gap * at.between_slope[g] / at.between[g]
                slopes[k] = mine * gap
        for k, flight in self._logs:
            slopes[0] += slopes[k] * _per_day_slope(at, flight) / _per_day(at, flight)
        return slopes

    def jacobian(self, theta: Floats) -> Floats:
        """Return the slopes of the likelihood's vector (rows) in that of the search (columns)."""
        z = self.searched(theta)
        return np.stack([self.pulled(z, unit) for unit in np.eye(len(theta))])

    def steps(self) -> Floats:
        """Return steps for differences."""
        heat = self.reference is None
        flights = dict(self._flights)
        return np.array(
            [_HEAT_STEP if k in flights and (heat or flights[k]) else _STEP for k in range(len(self.entries))]
        )


def _per_day(at: HeatAtReference, flight: int | None) -> Floats:
    return np.asarray(at.per_day.mean(axis=0) if flight is None else at.per_day[flight])


def _per_day_slope(at: HeatAtReference, flight: int | None) -> Floats:
    return np.asarray(at.per_day_slope.mean(axis=0) if flight is None else at.per_day_slope[flight])
