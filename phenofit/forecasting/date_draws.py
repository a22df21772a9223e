"""Dates of events from heat draws and the weather of one season."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from phenofit.forecasting.distribution import DateDistribution, to_unit
from phenofit.forecasting.event_heat import HeatDraws
from phenofit.forecasting.weather_years import OpenSeason
from phenofit.heat.settings import HeatSettings

LEVELS = (0.50, 0.80, 0.95)
"""Levels of the date intervals that every table shows."""


def event_dates(
    draws: HeatDraws,
    tmin: npt.NDArray[np.float64],
    tmax: npt.NDArray[np.float64],
    *,
    start: np.datetime64,
    heat: HeatSettings,
) -> dict[str, DateDistribution] | None:
    """Return when the heat of each draw is reached, by event; None where a missing day makes a sum unknown."""
    days = draws.crossings(tmin, tmax, heat)
    if np.isnan(days).any():
        return None
    return {event: DateDistribution(start, days[:, e]) for e, event in enumerate(draws.events)}


@dataclass(frozen=True)
class SeasonWalk:
    """Heat draws in one season: their dates in its own weather, or as of a day in the continuations of it."""

    draws: HeatDraws
    weather: OpenSeason
    heat: HeatSettings

    @property
    def start(self) -> np.datetime64:
        """Day from which heat is summed."""
        return to_unit(self.weather.days[0], "D")

    @cached_property
    def _crossed(self) -> npt.NDArray[np.float64]:
        return self.draws.crossings(self.weather.tmin[np.newaxis], self.weather.tmax[np.newaxis], self.heat)

    @cached_property
    def _heat_before(self) -> npt.NDArray[np.float64]:
        return self.draws.heat_before(self.weather.tmin, self.weather.tmax, self.heat)

    @property
    def events(self) -> tuple[str, ...]:
        """Names of the events."""
        return self.draws.events

    def date(self, event: str, issued: np.datetime64 | None = None) -> DateDistribution | None:
        """Return when an event happens in the season's own weather, or in what is known of it before a day.

        None where a missing day makes a sum unknown.
        """
        days = self._crossed[:, self.events.index(event)] if issued is None else self._as_of(event, issued)
        return None if np.isnan(days).any() else DateDistribution(self.start, days)

    def _as_of(self, event: str, issued: np.datetime64) -> npt.NDArray[np.float64]:
        # A double method takes the next minimum for the last day that is known, so that day is walked again.
        known, rest = self.weather.rest(issued, back=1)
        first = max(known - 1, 0)
        one, before = self.draws.only(event), self._heat_before[:, first]
        crossed = self._crossed[:, self.events.index(event)]
        if one.base.size == 1:
            # One sum has a date in every continuation.
            members = rest.tmin.shape[0]
            one, before, crossed = one.repeated(members), before.repeat(members), crossed.repeat(members)
        days = first + one.crossings(rest.tmin, rest.tmax, self.heat, before=before)[:, 0]
        return np.where(one.amount[:, 0] <= before, crossed, days)


def fixed_date(
    base: float,
    amount: float,
    tmin: npt.NDArray[np.float64],
    tmax: npt.NDArray[np.float64],
    *,
    start: np.datetime64,
    heat: HeatSettings,
) -> DateDistribution | None:
    """Return when one heat sum is reached, a draw for each season; None where a sum is unknown."""
    draws = HeatDraws(np.array([base]), np.array([[amount]]), ("amount",)).repeated(tmin.shape[0])
    found = event_dates(draws, tmin, tmax, start=start, heat=heat)
    return None if found is None else found["amount"]
