"""A distribution of dates, kept as equally likely draws."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import cast

import numpy as np
import numpy.typing as npt

from phenofit.errors import ModelError

_DAY_IN_MINUTES = 24 * 60


def to_unit(value: str | np.datetime64, unit: str = "D") -> np.datetime64:
    """Return a date-time in a unit of time, such as ``"D"`` for the day it lies in."""
    return cast(np.datetime64, np.asarray(value, dtype="datetime64").astype(f"datetime64[{unit}]")[()])


def read_day(value: str | np.datetime64) -> np.datetime64:
    """Return a day as a user gives it, year first.

    Raises
    ------
    ModelError
        If it is no date.
    """
    try:
        day = to_unit(value)
    except (ValueError, TypeError):
        day = np.datetime64("NaT")
    if np.isnat(day):
        raise ModelError(f"'{value}' is not a date; write year-month-day, such as 2024-05-20.")
    return day


def add_days(
    start: np.datetime64 | npt.NDArray[np.datetime64], days: npt.ArrayLike
) -> npt.NDArray[np.datetime64]:
    """Return `start` plus days with their fractions, to the minute; NaT where not finite (datetime64[ns])."""
    offsets = np.asarray(days, dtype=np.float64)
    finite = np.isfinite(offsets)
    minutes = np.round(np.where(finite, offsets, 0.0) * _DAY_IN_MINUTES).astype("timedelta64[m]")
    dates = np.asarray(np.asarray(start).astype("datetime64[m]") + minutes).astype("datetime64[ns]")
    return np.where(finite, dates, np.datetime64("NaT", "ns"))


def ranked(days: npt.NDArray[np.float64], share: float) -> npt.NDArray[np.float64]:
    """Return the quantile of draws in order along the last axis."""
    # Interpolating between a finite and an infinite draw would give a NaN, so an order statistic is taken.
    number = days.shape[-1]
    at = math.ceil(share * number - 1e-9) - 1
    return np.asarray(days[..., min(max(at, 0), number - 1)])


@dataclass(frozen=True)
class DateDistribution:
    """When an event happens in one season, as equally likely draws.

    Parameters
    ----------
    start : numpy.datetime64
        Midnight from which the draws count.
    days : array, shape (draws,)
        Days from `start`, with fractions [d]; infinite where the event does not happen in this season, minus
        infinity where the forecast places it before the heat sum begins.

    Examples
    --------
    >>> dates = DateDistribution(np.datetime64("2024-01-01"), np.array([10.0, 11.0, 12.0, np.inf]))
    >>> str(dates.quantile(0.25))[:10], dates.chance_by(np.datetime64("2024-01-12T12:00"))
    ('2024-01-11', 0.5)
    """

    start: np.datetime64
    days: npt.NDArray[np.float64]

    def __post_init__(self) -> None:
        if self.days.ndim != 1 or self.days.size == 0:
            raise ModelError("a distribution of dates needs a row of draws.")
        if np.isnan(self.days).any():
            raise ModelError("a distribution of dates cannot be made from unknown draws (missing weather).")

    @cached_property
    def _ranked(self) -> npt.NDArray[np.float64]:
        return np.sort(self.days)

    def quantile_days(self, share: float) -> float:
        """Return the quantile in days from `start`; plus or minus infinity where it is no day of the season."""
        return float(ranked(self._ranked, share))

    def quantile(self, share: float) -> np.datetime64:
        """Return the date by which the event has happened with chance `share` (NaT: no day of the season)."""
        return cast(np.datetime64, add_days(self.start, self.quantile_days(share))[()])

    def interval(self, level: float) -> tuple[np.datetime64, np.datetime64]:
        """Return the central interval of dates at `level`."""
        return self.quantile(0.5 * (1.0 - level)), self.quantile(0.5 * (1.0 + level))

    def chance_by(self, date: np.datetime64) -> float:
        """Return the chance that the event has come by a date-time."""
        limit = (to_unit(date, "m") - to_unit(self.start, "m")) / np.timedelta64(1, "D")
        return float(np.mean(self.days <= limit))

    @property
    def chance_not_this_season(self) -> float:
        """Chance that the event does not happen before the season ends."""
        return float(np.mean(np.isposinf(self.days)))
