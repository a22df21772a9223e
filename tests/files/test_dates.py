"""Dates in each declared form, with their year elsewhere, and headers that are dates."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from phenofit.errors import DataError
from phenofit.files.dates import DATE_ORDERS, looks_like_date, read_date
from tests.traps.sheets import catches

NOON = np.timedelta64(12, "h")
DAYS = st.dates(dt.date(1930, 1, 1), dt.date(2150, 12, 31))


def day(text: str, form: str, year: str | None = None) -> dt.date:
    found: dt.datetime = read_date(text, form, NOON, year).astype("datetime64[us]").item()
    assert found.hour == 12
    return found.date()


@given(DAYS)
def test_every_way_to_write_a_day_reads_back(when: dt.date) -> None:
    # Python's own calendar writes the texts.
    for order in DATE_ORDERS:
        for form in (
            "%d%b%Y",
            "%d-%b-%Y",
            "%d. %B %Y",
            "%b %d, %Y",
            "%B %d %Y",
            "%Y-%b-%d",
            "%Y%b%d",
            "%Y %B %d",
        ):
            assert day(when.strftime(form).upper(), order) == when
        numbers = {"year-first": "%Y-%m-%d", "month-first": "%m/%d/%Y", "day-first": "%d.%m.%Y"}
        assert day(when.strftime(numbers[order]), order) == when
        assert day(when.strftime("%d-%b"), order, f"Season {when.year}") == when
        assert (
            day(when.strftime(numbers[order].replace("%Y", "").strip("-/.")), order, str(when.year)) == when
        )
    assert day(when.strftime("%j"), "day-of-year", str(when.year)) == when
    assert day(f"{when.year}-{when:%j}", "day-of-year") == when
    iso = when.isocalendar()
    sunday = when + dt.timedelta(days=7 - iso.weekday)
    assert day(f"W{iso.week}", "week", str(iso.year)) == sunday
    assert day(f"{iso.year}-W{iso.week:02d}", "week") == sunday
    # pandas counts day numbers from the same epochs.
    assert pd.Timestamp(day(f"{(when - dt.date(1899, 12, 30)).days:05d}", "serial-1900")).date() == when
    assert pd.to_datetime((when - dt.date(1904, 1, 1)).days, unit="D", origin="1904-01-01").date() == day(
        f"{(when - dt.date(1904, 1, 1)).days:05d}", "serial-1904"
    )


def test_a_fraction_of_a_day_number_is_the_time_of_day() -> None:
    # 43586 is 1 May 2019 in the 1900 system (common practice, no source); 0.3125 of a day is 7:30.
    assert read_date("43586.3125", "serial-1900", NOON) == np.datetime64("2019-05-01T07:30")
    assert read_date("42124.3125", "serial-1904", NOON) == np.datetime64("2019-05-01T07:30")


@pytest.mark.parametrize(
    ("text", "form", "year", "says"),
    [
        ("6/4", "month-first", None, "has no year; name its column"),
        ("6/4", "month-first", "early", "names none"),
        ("6/4", "month-first", "2018/2019", "names several"),
        ("6/4/2018", "month-first", "2019", "is of the year 2018, but its year is given as '2019'"),
        ("2018-152", "day-of-year", "2019", "is of the year 2018"),
        ("366", "day-of-year", "2019", "is no day of the year 2019, which has 365"),
        ("0", "day-of-year", "2019", "is no day of the year"),
        ("152", "day-of-year", None, "has no year"),
        ("4 June", "day-of-year", "2019", "is no number of a day of the year"),
        ("53", "week", "2019", "is no week of the year 2019"),
        ("June", "week", "2019", "is no number of a week"),
        ("4358", "serial-1900", None, "is no day number of a spreadsheet"),
        ("00060", "serial-1900", None, "before those that are read"),
        ("43586", "month-first", None, "is a day number of a spreadsheet"),
        ("31 Jun 2019", "day-first", None, "is no day of the calendar"),
        ("4 Sepal 2019", "day-first", None, "is not a date"),
        ("4 Ju 2019", "day-first", None, "is not a date"),
    ],
)
def test_what_is_no_date_says_why(text: str, form: str, year: str | None, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        read_date(text, form, NOON, year)


@pytest.mark.parametrize(
    ("text", "form", "is_date"),
    [
        ("6/4/2019", "month-first", True),
        ("6/31/2019", "month-first", True),  # wrong, and so told; not passed over
        ("6/4", "month-first", True),  # without its year, which is then asked for
        ("4-Jun", "day-first", True),
        ("4-Jun-19 07:30", "day-first", True),
        ("20190604", "year-first", True),
        ("152", "day-of-year", True),
        ("152", "month-first", False),
        ("W23", "week", True),
        ("43586", "serial-1900", True),
        ("Total", "month-first", False),
        ("P 12", "month-first", False),
        ("Mar7", "month-first", True),
        ("Marsh 7", "month-first", False),
    ],
)
def test_headers_that_are_dates(text: str, form: str, is_date: bool) -> None:
    assert looks_like_date(text, form) == is_date


def test_the_year_column_is_compared_with_the_dates(tmp_path: Path) -> None:
    text = "trap,date,count,year\nA,2024-06-01,1,2024\nA,2024-06-08,1,2023\n"
    assert len(catches(tmp_path, text)) == 2  # a column that merely bears the name may hold anything
    with pytest.raises(DataError, match="is of the year 2024, but its year is given as '2023'") as caught:
        catches(tmp_path, text, columns={"year": "year"})
    assert [(p.row, p.column) for p in caught.value.problems] == [(3, "date")]


def test_days_without_a_year_in_another_order_are_told(tmp_path: Path) -> None:
    text = "trap,date,count,Y\nA,28/5,1,2024\nA,4/6,1,2024\nA,11/6,1,2024\n"
    with pytest.raises(DataError, match="all 3 dates look day-first; 1 of them cannot be read as declared"):
        catches(tmp_path, text, dates="month-first", columns={"year": "Y"})
    text = "trap,date,count,Y\nA,11/5,1,2024\nA,4/6,1,2024\nA,11/6,1,2024\n"
    with pytest.raises(DataError, match="read month-first is 2024-04-06, before the check in the row above"):
        catches(tmp_path, text, dates="month-first", columns={"year": "Y"})
