"""Seasons by month and day: leap years, New Year, both hemispheres."""

from __future__ import annotations

import datetime as dt

import hypothesis.strategies as st
import numpy as np
import pytest
from hypothesis import given

from phenofit.errors import ModelError
from phenofit.seasons import MonthDay, Season

MONTH_DAYS = st.dates(dt.date(2024, 1, 1), dt.date(2024, 12, 31)).map(lambda d: MonthDay(d.month, d.day))


@pytest.mark.parametrize("text", ["", "13-01", "02-30", "1 March", "2024-03-01", "00-10", "03-00", "3/1"])
def test_what_is_no_day_is_refused(text: str) -> None:
    with pytest.raises(ModelError, match="month-day"):
        MonthDay.parse(text)


def test_reading_and_writing_agree() -> None:
    assert str(MonthDay.parse("3-1")) == "03-01"
    assert MonthDay.parse("03-01") < MonthDay.parse("10-31")


def test_leap_day_stands_for_the_first_of_march_elsewhere() -> None:
    leap_day = MonthDay.parse("02-29")
    assert leap_day.in_year(2024) == np.datetime64("2024-02-29")
    assert leap_day.in_year(2023) == np.datetime64("2023-03-01")
    # The Gregorian rule: 1900 was no leap year, 2000 was one.
    assert leap_day.in_year(1900) == np.datetime64("1900-03-01")
    assert leap_day.in_year(2000) == np.datetime64("2000-02-29")


def test_a_northern_season() -> None:
    season = Season.parse("01-01", "10-31")
    assert season.label(2023) == "2023"
    assert not season.crosses_new_year
    # 2024 has one day more than 2023 before the end of October.
    assert len(season.days(2023)) == 304
    assert len(season.days(2024)) == 305


def test_a_southern_season_carries_its_starting_year_over_new_year() -> None:
    season = Season.parse("07-01", "05-31")
    dates = np.array(
        ["2023-06-30", "2023-07-01", "2023-12-31", "2024-01-01", "2024-05-31", "2024-06-01"], "datetime64[D]"
    )
    assert season.year_of(dates).tolist() == [-1, 2023, 2023, 2023, 2023, -1]
    assert season.label(1999) == "1999/00"
    assert season.first_day(2023) == np.datetime64("2023-07-01")
    assert season.last_day(2023) == np.datetime64("2024-05-31")


def test_date_times_count_to_their_day_and_shapes_stay() -> None:
    season = Season.parse("03-01", "10-31")
    dates = np.array([["2023-10-31T23:59", "2023-11-01T00:00"]], "datetime64[ns]")
    assert season.year_of(dates).tolist() == [[2023, -1]]


@given(start=MONTH_DAYS, end=MONTH_DAYS, year=st.integers(1900, 2100))
def test_every_day_of_a_season_belongs_to_it(start: MonthDay, end: MonthDay, year: int) -> None:
    season = Season(start, end)
    days = season.days(year)
    assert days[0] == season.first_day(year)
    assert days[-1] == season.last_day(year)
    assert 1 <= len(days) <= 366
    if MonthDay(2, 29) not in (start, end):  # one that stands for 1 March may meet the day beside it
        assert (season.year_of(days) == year).all()


@given(start=MONTH_DAYS, end=MONTH_DAYS, date=st.dates(dt.date(1950, 1, 1), dt.date(2049, 12, 31)))
def test_membership_agrees_with_plain_dates(start: MonthDay, end: MonthDay, date: dt.date) -> None:
    season = Season(start, end)
    found = int(season.year_of(np.array([date], "datetime64[D]"))[0])

    def day(when: MonthDay, year: int) -> dt.date:
        try:
            return dt.date(year, when.month, when.day)
        except ValueError:
            return dt.date(year, 3, 1)

    crosses = (end.month, end.day) < (start.month, start.day)
    holding = [
        y for y in (date.year - 1, date.year) if day(start, y) <= date <= day(end, y + 1 if crosses else y)
    ]
    assert (found in holding) if holding else found == -1


def test_a_season_takes_texts_and_refuses_what_is_no_month_day() -> None:
    assert Season("01-01", "10-31") == Season.parse("01-01", "10-31")
    for bad in ("1 January", "13-01", "", "2024-01-01"):
        with pytest.raises(ModelError, match=r"is not a month-day|there is no day"):
            Season("01-01", bad)
