"""Dates and intervals of ISO 8601 as Darwin Core writes them in ``eventDate``."""

from __future__ import annotations

import re

import numpy as np

from phenofit.files.cells import FIRST_YEAR, LAST_YEAR

_DAY = re.compile(r"^(\d{4})-(\d{2})-(\d{2})(?:T(\d{2}):(\d{2})(?::(\d{2})(?:\.0+)?)?)?$")
_ZONE = re.compile(r"T.*(?:Z|[+-]\d{2}(?::?\d{2})?)$")
_COARSE = re.compile(r"^\d{4}(?:-\d{2})?$|^\d{4}-\d{3}$|^\d{4}-W\d{2}")


def event_date(start: np.datetime64, end: np.datetime64) -> str:
    """Write an interval, to the minute."""
    return f"{np.datetime_as_string(start, unit='m')}/{np.datetime_as_string(end, unit='m')}"


def read_event_date(text: str, *, hour: float = 12.0) -> tuple[np.datetime64, np.datetime64]:
    """Read a date, a date-time or an interval of both."""
    parts = text.split("/")
    if len(parts) > 2:
        raise ValueError("has more than one '/'.")
    end_text = parts[-1]
    if len(parts) == 2 and re.fullmatch(r"\d{2}(?:-\d{2})?", end_text):
        end_text = parts[0][: 10 - len(end_text)] + end_text
    end = _date_time(end_text, hour)
    if len(parts) == 1:
        return np.datetime64("NaT", "ns"), end
    start = _date_time(parts[0], hour)
    if start >= end:
        raise ValueError("does not end after its start.")
    return start, end


def _date_time(text: str, hour: float) -> np.datetime64:
    match = _DAY.match(text)
    if match is None:
        if _ZONE.search(text):
            raise ValueError("has a time zone; heat is summed by local days, so give the local time.")
        if _COARSE.match(text):
            raise ValueError("names no single day.")
        raise ValueError("is not an ISO 8601 date or interval.")
    try:
        day = np.datetime64("-".join(match.group(1, 2, 3)), "ns")
    except ValueError:
        raise ValueError("is no day of the calendar.") from None
    if not FIRST_YEAR <= int(match.group(1)) <= LAST_YEAR:
        raise ValueError(f"lies outside the years {FIRST_YEAR} to {LAST_YEAR}.")
    if match.group(4) is None:
        return day + np.timedelta64(round(hour * 3600), "s")
    hours, minutes, seconds = (int(match.group(i) or 0) for i in (4, 5, 6))
    if hours > 24 or minutes > 59 or seconds > 59 or (hours == 24 and minutes + seconds > 0):
        raise ValueError("has no such time of day.")
    return day + np.timedelta64(hours * 3600 + minutes * 60 + seconds, "s")
