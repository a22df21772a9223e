"""Dates as texts, each read in one declared form; nothing is guessed."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date

import numpy as np

FIRST_YEAR, LAST_YEAR = 1750, 2200
"""Years in which a date may lie; a clock in nanoseconds ends in 2262."""

DATE_ORDERS = ("year-first", "month-first", "day-first")
"""Orders of the parts of a calendar date."""
DATE_FORMS = (*DATE_ORDERS, "day-of-year", "week", "serial-1900", "serial-1904")
"""Forms of dates in a catch table: an order, or a number; the days of the year and the weeks need a year."""

SAMPLES = {
    "year-first": "2024-05-03",
    "month-first": "05/03/2024",
    "day-first": "03.05.2024",
    "day-of-year": "124",
    "week": "18",
    "serial-1900": "45415",
    "serial-1904": "43953",
}
"""The third of May 2024 in each form (of the week: its week)."""

CENTURY_PIVOT = 69  # two-digit years from 69 on are of the 20th century, as in POSIX strptime, %y

_PARTS: dict[str, Callable[[str, str, str], tuple[str, str, str]]] = {
    "year-first": lambda a, b, c: (a, b, c),
    "month-first": lambda a, b, c: (c, a, b),
    "day-first": lambda a, b, c: (c, b, a),
}
_MONTH_NAMES = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
    "november", "december",
)  # fmt: skip
_SEP = r"[-\s./,]*"
_MONTH = r"(?P<month>[A-Za-z]{3,9})\.?"
_DAY = r"(?P<day>\d{1,2})(?:st|nd|rd|th)?"
_NUMERIC = re.compile(r"(\d{1,4})([-/.])(\d{1,2})\2(\d{1,4})", re.ASCII)
_NUMERIC_NO_YEAR = re.compile(r"(\d{1,2})[-/.](\d{1,2})\.?", re.ASCII)
_NAMED = tuple(
    re.compile(pattern, re.ASCII)
    for pattern in (
        rf"{_DAY}{_SEP}{_MONTH}{_SEP}(?P<year>\d{{4}}|\d{{2}})",
        rf"{_MONTH}{_SEP}{_DAY}(?:\s*,\s*|[-\s./]+)(?P<year>\d{{4}}|\d{{2}})",
        rf"(?P<year>\d{{4}}){_SEP}{_MONTH}{_SEP}{_DAY}",
    )
)
_NAMED_NO_YEAR = tuple(
    re.compile(pattern, re.ASCII) for pattern in (rf"{_DAY}{_SEP}{_MONTH}", rf"{_MONTH}{_SEP}{_DAY}")
)
_CLOCK = re.compile(r"^(.*\d)[T\s]+(\d{1,2}):(\d{2})(?::(\d{2})(?:\.0+)?)?$", re.ASCII)
_SERIAL = re.compile(r"\d{5}(\.\d+)?", re.ASCII)
_DAY_NUMBER = re.compile(r"(?:(\d{4})[- ]?)?(\d{1,3})(?:\.0+)?", re.ASCII)
_WEEK_NUMBER = re.compile(
    r"(?:(\d{4})[- ]?)?(?:w|wk|week|kw)?\.? ?(\d{1,2})(?:\.0+)?", re.ASCII | re.IGNORECASE
)
_FOUR_DIGITS = re.compile(r"(?<!\d)(?:1[7-9]|2[0-2])\d\d(?!\d)", re.ASCII)
# Day 0 of the serial numbers. That of 1900 counts a 29 February 1900, which never was; later days are right.
_EPOCHS = {"serial-1900": date(1899, 12, 30), "serial-1904": date(1904, 1, 1)}
_FIRST_SERIAL = {"serial-1900": 61, "serial-1904": 1}


def read_date(text: str, form: str, default: np.timedelta64, year: str | None = None) -> np.datetime64:
    """Return the moment that a text names; `default` is the time of day without one, `year` a text with its year."""
    if form in _EPOCHS:
        return _serial(text, form, default)
    clock = _CLOCK.match(text)
    offset = default
    if clock:
        text = clock.group(1).rstrip()
        hours, minutes, seconds = (int(clock.group(i) or 0) for i in (2, 3, 4))
        if hours > 24 or minutes > 59 or seconds > 59 or (hours == 24 and minutes + seconds > 0):
            raise ValueError("has no such time of day.")
        offset = np.timedelta64(hours * 3600 + minutes * 60 + seconds, "s")
    return _day(text, form, year) + offset


def looks_like_date(text: str, form: str) -> bool:
    """Return whether a header is written like a date, right or wrong, with its year or without."""
    clock = _CLOCK.match(text)
    text = clock.group(1).rstrip() if clock else text
    named = [p.fullmatch(text) for p in (*_NAMED, *_NAMED_NO_YEAR)]
    if any(m and _month(m["month"]) for m in named):
        return True
    if _NUMERIC.fullmatch(text) or _NUMERIC_NO_YEAR.fullmatch(text):
        return True
    patterns = {
        "year-first": re.compile(r"\d{8}"),
        "day-of-year": _DAY_NUMBER,
        "week": _WEEK_NUMBER,
        "serial-1900": _SERIAL,
        "serial-1904": _SERIAL,
    }
    return form in patterns and patterns[form].fullmatch(text) is not None


def names_its_month(text: str) -> bool:
    """Return whether a date has a month in words, so that its order is beyond doubt."""
    clock = _CLOCK.match(text)
    text = clock.group(1).rstrip() if clock else text
    return any(m and _month(m["month"]) for m in (p.fullmatch(text) for p in _NAMED))


def year_in(text: str) -> int:
    """Return the only year of four digits in a text, such as ``2019`` or ``Summer 2019``."""
    years = set(_FOUR_DIGITS.findall(text))
    if len(years) != 1:
        raise ValueError(f"needs a year, but '{text}' names {'several' if years else 'none'}.")
    return int(years.pop())


def _serial(text: str, form: str, default: np.timedelta64) -> np.datetime64:
    if _SERIAL.fullmatch(text) is None:
        raise ValueError("is no day number of a spreadsheet.")
    number = float(text)
    day = int(number)
    if day < _FIRST_SERIAL[form]:
        raise ValueError("is a day number before those that are read.")
    seconds = round((number - day) * 86400)
    offset = np.timedelta64(seconds, "s") if seconds else default
    return np.datetime64(_EPOCHS[form], "ns") + np.timedelta64(day, "D") + offset


def _day(text: str, form: str, year: str | None) -> np.datetime64:
    if form in ("day-of-year", "week"):
        return _numbered_day(text, form, year)
    own, month, day = _calendar_day(text, form)
    number = _agreed(own, year)
    if not FIRST_YEAR <= number <= LAST_YEAR:
        raise ValueError(f"lies outside the years {FIRST_YEAR} to {LAST_YEAR}.")
    try:
        return np.datetime64(f"{number:04d}-{month:02d}-{day:02d}", "ns")
    except ValueError:
        swapped = form != "year-first" and month > 12 >= day
        hint = f" (read {form}; if the file is not {form}, declare its order)" if swapped else ""
        raise ValueError(f"is no day of the calendar{hint}.") from None


def _agreed(own: int | None, year: str | None) -> int:
    """Return the year of a date: its own, or that of its year column; both must be the same."""
    if year is None:
        if own is None:
            raise ValueError('has no year; name its column, such as year = "Year" or year = "<sheet>".')
        return own
    other = year_in(year)
    if own is not None and own != other:
        raise ValueError(f"is of the year {own}, but its year is given as '{year}'.")
    return other


def _numbered_day(text: str, form: str, year: str | None) -> np.datetime64:
    match = (_DAY_NUMBER if form == "day-of-year" else _WEEK_NUMBER).fullmatch(text)
    if match is None:
        raise ValueError(f"is no number of a {'day of the year' if form == 'day-of-year' else 'week'}.")
    number = _agreed(int(match.group(1)) if match.group(1) else None, year)
    if not FIRST_YEAR <= number <= LAST_YEAR:
        raise ValueError(f"lies outside the years {FIRST_YEAR} to {LAST_YEAR}.")
    count = int(match.group(2))
    if form == "week":
        try:
            return np.datetime64(date.fromisocalendar(number, count, 7), "ns")
        except ValueError:
            raise ValueError(f"is no week of the year {number}.") from None
    length = int((np.datetime64(f"{number + 1}-01-01") - np.datetime64(f"{number}-01-01")).astype(int))
    if not 1 <= count <= length:
        raise ValueError(f"is no day of the year {number}, which has {length}.")
    return np.datetime64(f"{number}-01-01", "ns") + np.timedelta64(count - 1, "D")


def _calendar_day(text: str, order: str) -> tuple[int | None, int, int]:
    match = _NUMERIC.fullmatch(text)
    if match:
        parts = (match.group(1), match.group(3), match.group(4))
        year_at = 0 if order == "year-first" else 2
        if len(parts[2 - year_at]) > 2:
            where = "last" if order == "year-first" else "first"
            raise ValueError(f"has its year {where}, but the declared order is {order}.")
        if len(parts[year_at]) != 4 and (order == "year-first" or len(parts[year_at]) != 2):
            raise ValueError("has no year of four digits.")
        own, month, day = _PARTS[order](*parts)
        return _full_year(own), int(month), int(day)
    if re.fullmatch(r"[0-9]{8}", text) and order == "year-first":
        return int(text[:4]), int(text[4:6]), int(text[6:])
    for pattern in _NAMED:
        named = pattern.fullmatch(text)
        number = _month(named["month"]) if named else None
        if named and number:
            return _full_year(named["year"]), number, int(named["day"])
    found = _day_without_year(text, order)
    if found is not None:
        return None, *found
    if _SERIAL.fullmatch(text):
        raise ValueError("is a day number of a spreadsheet, not a date.")
    raise ValueError("is not a date.")


def _day_without_year(text: str, order: str) -> tuple[int, int] | None:
    match = _NUMERIC_NO_YEAR.fullmatch(text)
    if match:
        first, second = int(match.group(1)), int(match.group(2))
        return (second, first) if order == "day-first" else (first, second)
    for pattern in _NAMED_NO_YEAR:
        named = pattern.fullmatch(text)
        number = _month(named["month"]) if named else None
        if named and number:
            return number, int(named["day"])
    return None


def _month(name: str) -> int | None:
    """Return the number of a month by its name, whole or cut after three letters or more; "sept" is a usual form."""
    key = name.lower()
    for number, month in enumerate(_MONTH_NAMES, start=1):
        if month.startswith(key):
            return number
    return None


def _full_year(digits: str) -> int:
    year = int(digits)
    if len(digits) == 4:
        return year
    return year + (1900 if year >= CENTURY_PIVOT else 2000)
