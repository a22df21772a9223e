"""Seasons by month and day: across New Year, through leap years, on either hemisphere.

A season starts on a month-day and ends on a month-day; it may cross New Year. Days are counted from the
season's start, never by number in the year, so a leap day moves nothing.
"""

from __future__ import annotations

import calendar
import datetime
import re
from dataclasses import dataclass

import numpy as np

from phenofit.errors import ModelError

MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip
"""Names of the months: in English whatever the language of the machine."""
_MONTH_DAY = re.compile(r"^(\d{1,2})-(\d{1,2})$")


def day_words(when: datetime.date | np.datetime64, *, short: bool = False, year: bool = False) -> str:
    """Return a date as people say it: ``"3 July"``, ``"3 Jul"``, ``"3 July 2024"``."""
    day = when.astype("datetime64[D]").item() if isinstance(when, np.datetime64) else when
    month = MONTHS[day.month - 1]
    return f"{day.day} {month[:3] if short else month}{f' {day.year}' if year else ''}"


@dataclass(frozen=True, order=True)
class MonthDay:
    """A day of the calendar without a year.

    Parameters
    ----------
    month : int
        1 to 12.
    day : int
        1 to 31; 29 February stands for 1 March in years without it.

    Raises
    ------
    ModelError
        If there is no such day.

    Examples
    --------
    >>> MonthDay.parse("03-01")
    MonthDay(month=3, day=1)
    """

    month: int
    day: int

    def __post_init__(self) -> None:
        if not 1 <= self.month <= 12 or not 1 <= self.day <= calendar.monthrange(2024, self.month)[1]:
            raise ModelError(
                f"there is no day {self.month:02d}-{self.day:02d}; write month-day, such as 03-01."
            )

    @classmethod
    def parse(cls, text: str) -> MonthDay:
        """Read ``"month-day"``.

        Raises
        ------
        ModelError
            If the text has another form or names no day.
        """
        match = _MONTH_DAY.match(str(text).strip())
        if match is None:
            raise ModelError(f"'{text}' is not a month-day; write for example 03-01 for 1 March.")
        return cls(int(match.group(1)), int(match.group(2)))

    def in_year(self, year: int) -> np.datetime64:
        """Return the date in a calendar year (datetime64[D])."""
        if self.month == 2 and self.day == 29 and not calendar.isleap(year):
            return np.datetime64(f"{year:04d}-03-01", "D")
        return np.datetime64(f"{year:04d}-{self.month:02d}-{self.day:02d}", "D")

    def __str__(self) -> str:
        """Return ``month-day`` with two digits each."""
        return f"{self.month:02d}-{self.day:02d}"


@dataclass(frozen=True)
class Season:
    """The part of the year in which heat is summed and traps are read.

    Parameters
    ----------
    start : MonthDay or str
        First day of the season, such as ``"01-01"``; heat sums begin at its midnight.
    end : MonthDay or str
        Last day of the season, included. Before `start` in the calendar means: in the next year.

    Raises
    ------
    ModelError
        If a text is not a month-day.

    Examples
    --------
    >>> south = Season("07-01", "05-31")
    >>> south.crosses_new_year, south.label(2023)
    (True, '2023/24')
    >>> south.year_of(np.array(["2023-11-20", "2024-02-10"], dtype="datetime64[D]")).tolist()
    [2023, 2023]
    """

    start: MonthDay
    end: MonthDay

    def __init__(self, start: MonthDay | str, end: MonthDay | str) -> None:
        for name, given in (("start", start), ("end", end)):
            object.__setattr__(self, name, given if isinstance(given, MonthDay) else MonthDay.parse(given))

    @classmethod
    def parse(cls, start: str, end: str) -> Season:
        """Read a season from two month-days.

        Raises
        ------
        ModelError
            If one of the two is not a month-day.
        """
        return cls(MonthDay.parse(start), MonthDay.parse(end))

    @property
    def crosses_new_year(self) -> bool:
        """Whether the end lies in the calendar year after the start."""
        return self.end < self.start

    def label(self, year: int) -> str:
        """Return the name of the season that starts in `year`: ``"2023"`` or ``"2023/24"``."""
        return f"{year}/{(year + 1) % 100:02d}" if self.crosses_new_year else f"{year}"

    def first_day(self, year: int) -> np.datetime64:
        """Return the first day of the season that starts in `year` (datetime64[D])."""
        return self.start.in_year(year)

    def last_day(self, year: int) -> np.datetime64:
        """Return the last day of the season that starts in `year`, included (datetime64[D])."""
        return self.end.in_year(year + 1 if self.crosses_new_year else year)

    def days(self, year: int) -> np.ndarray:
        """Return every day of the season that starts in `year` (datetime64[D], first to last)."""
        return np.arange(self.first_day(year), self.last_day(year) + np.timedelta64(1, "D"))

    def year_of(self, dates: np.ndarray) -> np.ndarray:
        """Return the starting year of the season each date falls in, and -1 where it falls in none.

        Parameters
        ----------
        dates : array of datetime64
            Any shape.

        Returns
        -------
        array of int64
            The same shape.
        """
        days = np.asarray(dates).astype("datetime64[D]")
        calendar_year = days.astype("datetime64[Y]").astype(np.int64) + 1970
        result = np.full(days.shape, -1, dtype=np.int64)
        for shift in (0, -1) if self.crosses_new_year else (0,):
            for year in np.unique(calendar_year):
                candidate = int(year) + shift
                inside = (
                    (calendar_year == year)
                    & (days >= self.first_day(candidate))
                    & (days <= self.last_day(candidate))
                )
                result[inside] = candidate
        return result
