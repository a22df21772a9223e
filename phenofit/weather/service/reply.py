"""Check a file of the station service before the client reads it: columns, dates, numbers, repeated days."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
import pandas as pd

from phenofit.files.text_table import shorten
from phenofit.weather.reading.assemble import impossible

_DATE = ["year", "month", "day"]
_VALUES = ["tmin", "tmax"]
_KELVIN_ABOVE = 150.0  # no temperature in degrees Celsius; every one in kelvin
_MOST_IMPOSSIBLE = 0.5  # share of the days of a year; above it the file is no series of daily temperatures


@dataclass(frozen=True)
class CheckedReply:
    """The result of checking a file."""

    text: str = ""  # The file with one row a day; empty where it cannot be read.
    fault: str = ""  # Why it cannot be read; empty where it can.
    notes: tuple[str, ...] = ()  # What was set aside, one sentence each.
    days: int = 0  # Days with a temperature.


def check_reply(text: str) -> CheckedReply:
    """Check the daily file of one station and year."""
    try:
        table = pd.read_csv(io.StringIO(text), dtype=str, keep_default_na=False)
    except (pd.errors.ParserError, pd.errors.EmptyDataError) as fault:
        return CheckedReply(fault=f"it is no table ({' '.join(str(fault).split())[:80]})")
    lacking = [name for name in (*_DATE, *_VALUES) if name not in table]
    if lacking:
        return CheckedReply(fault=f"it has no column {', '.join(lacking)}")
    for name in _VALUES:
        numbers = pd.to_numeric(table[name], errors="coerce")
        wrong = (table[name] != "") & ~np.isfinite(numbers)
        if wrong.any():
            found = shorten(str(table.loc[wrong, name].iloc[0]))
            return CheckedReply(fault=f"column {name} has '{found}' in {int(wrong.sum())} rows")
    days = pd.to_datetime(table[_DATE].apply(pd.to_numeric, errors="coerce"), errors="coerce")
    if days.isna().any():
        found = shorten("-".join(table.loc[days.isna(), _DATE].iloc[0]))
        return CheckedReply(fault=f"'{found}' is no date, in {int(days.isna().sum())} rows")
    same = table.duplicated()
    table, days = table[~same], days[~same]
    notes = [f"{int(same.sum())} repeated rows were dropped."] if same.any() else []
    differ = days.duplicated(keep=False)
    if differ.any():
        count = days[differ].nunique()
        notes.append(f"{count} days had two different rows and were set to missing.")
        table = table[~differ]
    filled = int((table[_VALUES] != "").any(axis=1).sum())
    return CheckedReply(table.to_csv(index=False, lineterminator="\n"), "", tuple(notes), filled)


def not_celsius(tmin: np.ndarray, tmax: np.ndarray) -> str:
    """Return why daily extremes are no temperatures in degrees Celsius; empty where they may be."""
    known = np.concatenate([tmin[np.isfinite(tmin)], tmax[np.isfinite(tmax)]])
    if not known.size:
        return ""
    if np.median(known) > _KELVIN_ABOVE:
        return f"the temperatures look like kelvin (median {np.median(known):.0f})"
    found = impossible(tmin, tmax)
    days = max(int((np.isfinite(tmin) | np.isfinite(tmax)).sum()), 1)
    for name, words in (
        ("minimum_above_maximum", "the minimum is above the maximum"),
        ("out_of_range", "the temperature is beyond any record"),
    ):
        count = int(found[name].sum())
        if count > _MOST_IMPOSSIBLE * days:
            return f"{words} on {count} of {days} days"
    return ""
