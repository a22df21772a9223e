"""When traps are set and checked, and what goes wrong: missed checks, lost traps, late starts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phenofit.errors import ModelError
from phenofit.seasons import MonthDay, Season


@dataclass(frozen=True)
class CheckPlan:
    """When one trap is set and checked through a season, and what may go wrong.

    Parameters
    ----------
    first, last : str
        Month-day on which the trap is set, and after which it is checked no more.
    every : tuple of int
        Days from one check to the next, taken in turn [d]: ``(7,)`` weekly, ``(3, 4)`` twice a week.
    missed : float
        Chance that a check is missed; the catch stays in the trap until the next check.
    lost : float
        Chance that a check finds the trap gone; its catch is lost and it is set again that day.
    late : float
        Chance that the trap is set late in a season.
    late_days : tuple of int
        Least and largest delay of a late start [days].
    jitter : int
        Largest random delay of setting the trap after `first`, drawn for each season [days].

    Raises
    ------
    ModelError
        If a chance is not a chance, or the days between checks are not positive.
    """

    first: str = "04-15"
    last: str = "09-30"
    every: tuple[int, ...] = (7,)
    missed: float = 0.0
    lost: float = 0.0
    late: float = 0.0
    late_days: tuple[int, int] = (7, 28)
    jitter: int = 0

    def __post_init__(self) -> None:
        if not self.every or min(self.every) < 1:
            raise ModelError(f"checks every {self.every} days cannot be; give whole days from 1 up.")
        for name in ("missed", "lost", "late"):
            chance = getattr(self, name)
            if not 0 <= chance < 1:
                raise ModelError(f"{name} is {chance}; a chance lies from 0 to below 1.")
        if self.late_days[0] > self.late_days[1] or self.late_days[0] < 0:
            raise ModelError(f"late_days is {self.late_days}; give the least and the largest delay in days.")


@dataclass(frozen=True)
class Visit:
    """One check of a trap: the day, where its catch interval began, and how the trap was found."""

    start: np.datetime64
    day: np.datetime64
    state: str
    is_set: bool


def draw_visits(
    plan: CheckPlan, season: Season, year: int, rng: np.random.Generator
) -> tuple[list[Visit], bool]:
    """Draw the visits of one trap in one season."""
    day = _in_season(plan.first, season, year)
    end = _in_season(plan.last, season, year)
    late = bool(rng.random() < plan.late)
    delay = int(rng.integers(plan.late_days[0], plan.late_days[1] + 1)) if late else 0
    day = day + np.timedelta64(delay + int(rng.integers(0, plan.jitter + 1)), "D")
    days = []
    while day <= end:
        days.append(day)
        day = day + np.timedelta64(plan.every[(len(days) - 1) % len(plan.every)], "D")
    if len(days) < 2:
        raise ModelError(
            f"checks from {plan.first} to {plan.last} every {plan.every} days leave none at all."
        )
    visits: list[Visit] = []
    start, is_set = days[0], True
    for position, day in enumerate(days[1:], start=1):
        chance = rng.random()
        closing = position == len(days) - 1  # the trap is taken down: somebody is there
        if chance < plan.missed and not closing:
            visits.append(Visit(start, day, "missed", is_set))
            continue
        lost = plan.missed <= chance < plan.missed + plan.lost
        visits.append(Visit(start, day, "lost" if lost else "counted", is_set))
        start, is_set = day, lost
    return visits, late


def _in_season(text: str, season: Season, year: int) -> np.datetime64:
    day = MonthDay.parse(text)
    date = day.in_year(year)
    if date < season.first_day(year):
        date = day.in_year(year + 1)
    if date > season.last_day(year):
        raise ModelError(f"{text} lies outside the season {season.start} to {season.end}.")
    return date
