"""Text cells of a table as numbers and dates: in a declared form, never guessed, never coerced without a message."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Sequence

import numpy as np
import pandas as pd

from phenofit.errors import ModelError, Problem
from phenofit.files.text_table import Table, shorten

FIRST_YEAR, LAST_YEAR = 1750, 2200
"""Years in which a date may lie; a clock in nanoseconds ends in 2262."""

DATE_ORDERS = ("year-first", "month-first", "day-first")
MISSING_TEXTS = frozenset({"", "na", "n/a", "nan", "null", "none"})
"""Texts read as "no value" in a number column, in any case of letters."""

_NUMBER = re.compile(r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?", re.ASCII)
_THOUSANDS = re.compile(r"[-+−]?[1-9]\d{0,2}[.,]\d{3}", re.ASCII)


def parse_numbers(
    table: Table,
    column: str,
    *,
    missing: Collection[str] = MISSING_TEXTS,
    required: bool = False,
    low: float = -np.inf,
    high: float = np.inf,
    what: str = "a number",
) -> tuple[np.ndarray, list[Problem]]:
    """Read a column as numbers."""
    codes, texts = pd.factorize(table.frame[column])
    marks = {mark for text in texts for mark in ",." if mark in text and text.lower() not in missing}
    comma = "," in marks and "." not in marks and table.delimiter != ","
    sign = "," if comma else "."
    # A cell such as "12.5" shows what the separator of the column means.
    settled = any(sign in text and _THOUSANDS.fullmatch(text) is None for text in texts)
    values = np.empty(len(texts))
    faults: dict[int, tuple[str, str]] = {}
    for i, text in enumerate(texts):
        values[i] = np.nan
        if text.lower() in missing:
            if required:
                faults[i] = ("has no value.", f"Write {what}.")
            continue
        plain = text.replace("\u2212", "-")
        plain = plain.replace(",", ".") if comma else plain
        if _NUMBER.fullmatch(plain) is None:
            faults[i] = (f"'{shorten(text)}' is not a number.", _number_remedy(text, marks, what))
        elif not settled and _ambiguous(text, plain, low, high):
            large, small = f"{float(plain.replace('.', '')):.0f}", f"{float(plain):g}"
            faults[i] = (f"'{shorten(text)}' may be {large} or {small}.", f"Write {large} or {small}.")
        elif not low <= float(plain) <= high or not np.isfinite(float(plain)):
            faults[i] = (f"'{shorten(text)}' is out of range.", f"Accepted is {what}{_range(low, high)}.")
        else:
            values[i] = float(plain)
    return _spread(table, column, codes, values, faults)


def parse_dates(
    table: Table,
    column: str,
    order: str,
    *,
    default_hour: float = 0.0,
    required: bool = True,
    missing: Collection[str] = MISSING_TEXTS,
) -> tuple[np.ndarray, list[Problem]]:
    """Read a column as dates in one declared order; :func:`two_digit_year_notes` is about years of two digits."""
    if order not in DATE_ORDERS:
        raise ModelError(f"'{order}' is not a date order; accepted are {', '.join(DATE_ORDERS)}.")
    default = np.timedelta64(round(default_hour * 3600), "s")
    codes, texts = pd.factorize(table.frame[column])
    values = np.full(len(texts), np.datetime64("NaT", "ns"))
    faults: dict[int, tuple[str, str]] = {}
    for i, text in enumerate(texts):
        if text.lower() in missing:
            if required:
                faults[i] = ("has no date.", f"Write a date {order}, such as {_SAMPLES[order]}.")
            continue
        try:
            values[i] = _date(text, order, default)
        except ValueError as fault:
            remedy = f"Accepted are dates {order}, such as {_SAMPLES[order]}."
            faults[i] = (f"'{shorten(text)}' {fault}", remedy)
    dated = [text for text in texts if text.lower() not in missing]
    others = [other for other in DATE_ORDERS if other != order and _all_read(dated, other)]
    unread = [i for i, text in enumerate(texts) if i in faults and text.lower() not in missing]
    if unread and others:
        wrong = _wrong_order(table, column, codes, unread, faults, dated, others)
        values, rest = _spread(
            table, column, codes, values, {i: faults[i] for i in faults if i not in unread}
        )
        return values, sorted([wrong, *rest], key=lambda p: p.row or 0)
    return _spread(table, column, codes, values, faults)


def _all_read(texts: Collection[str], order: str) -> bool:
    """Return whether every text is a date in an order."""
    try:
        for text in texts:
            _date(text, order, np.timedelta64(0, "s"))
    except ValueError:
        return False
    return True


def _wrong_order(
    table: Table,
    column: str,
    codes: np.ndarray,
    unread: list[int],
    faults: dict[int, tuple[str, str]],
    dated: list[str],
    orders: list[str],
) -> Problem:
    """Return the one problem of a column whose dates can all be read in another order than the declared one."""
    bad = np.flatnonzero(np.isin(codes, unread))
    at, count = int(bad[0]), int(table.frame[column].isin(dated).sum())
    look = " or ".join(orders)
    remedy = f'Set dates = "{orders[0]}".' if len(orders) == 1 else f"Set dates to one of the two: {look}."
    which = f"all {count} dates look" if count > 1 else "the only date looks"
    some = f"; {len(bad)} of them cannot be read as declared" if len(bad) < count else ""
    return table.problem(at, column, f"{which} {look}{some}: {faults[int(codes[at])][0]}", remedy)


def two_digit_year_notes(table: Table, columns: Sequence[str]) -> list[str]:
    """Return the sentence on how two-digit years of some columns were read, if there are any."""
    times = pd.concat([table.frame[c] for c in columns]).value_counts()
    short = times.index.str.contains(r"^\d{1,2}[-/.]\d{1,2}[-/.]\d{2}(?:\D|$)", regex=True)
    count = int(times[short].sum())
    span = f"{1900 + _CENTURY_PIVOT} to {1999 + _CENTURY_PIVOT}"
    return [f"{count} dates with a two-digit year read as {span}."] if count else []


def some(texts: Sequence[str], most: int, between: str = ", ") -> str:
    """Return the first texts as a list, with an ellipsis where there are more."""
    return between.join(texts[:most]) + (" …" if len(texts) > most else "")


def _spread(
    table: Table, column: str, codes: np.ndarray, values: np.ndarray, faults: dict[int, tuple[str, str]]
) -> tuple[np.ndarray, list[Problem]]:
    """Carry the values and faults of the distinct texts back to their rows."""
    if not len(codes):
        return values, []
    bad = np.isin(codes, list(faults)) if faults else np.zeros(len(codes), dtype=bool)
    problems = [table.problem(int(i), column, *faults[int(codes[i])]) for i in np.flatnonzero(bad)]
    return values[codes], problems


def _number_remedy(text: str, marks: set[str], what: str) -> str:
    if "," in text:
        if marks == {",", "."}:
            return "The column uses both decimal points and decimal commas; use one of them."
        return "A decimal comma is accepted only where cells are separated by semicolons or tabs."
    return f"Write {what}, or leave the cell blank where there is none."


def _ambiguous(text: str, plain: str, low: float, high: float) -> bool:
    """Return whether a separator before three digits may be one of thousands or a decimal sign."""
    if not np.isfinite(high) or _THOUSANDS.fullmatch(text) is None:
        return False
    return low <= float(plain) <= high and low <= float(plain.replace(".", "")) <= high


def _range(low: float, high: float) -> str:
    if np.isfinite(low) and np.isfinite(high):
        return f" from {low:g} to {high:g}"
    if np.isfinite(low):
        return f" of {low:g} or more"
    return f" of {high:g} or less" if np.isfinite(high) else ""


_SAMPLES = {"year-first": "2024-05-03", "month-first": "05/03/2024", "day-first": "03.05.2024"}
_PARTS: dict[str, Callable[[str, str, str], tuple[str, str, str]]] = {
    "year-first": lambda a, b, c: (a, b, c),
    "month-first": lambda a, b, c: (c, a, b),
    "day-first": lambda a, b, c: (c, b, a),
}
_MONTH_NAMES = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november", "december",
)  # fmt: skip
# From three letters on; a word that only begins like a month ("Junk") is none.
_MONTHS = {
    name[:letters]: number
    for number, name in enumerate(_MONTH_NAMES, start=1)
    for letters in range(3, len(name) + 1)
}
_CENTURY_PIVOT = 69  # two-digit years from 69 on are of the 20th century, as in POSIX strptime, %y
_NUMERIC_DATE = re.compile(r"(\d{1,4})([-/.])(\d{1,2})\2(\d{1,4})", re.ASCII)
_NAMED_DATE = re.compile(
    r"(?P<day>\d{1,2})[-\s./]+(?P<month>[A-Za-z]{3,9})\.?[-\s,./]+(?P<year>\d{4}|\d{2})", re.ASCII
)
_NAMED_DATE_MONTH_FIRST = re.compile(
    r"(?P<month>[A-Za-z]{3,9})\.?[-\s]+(?P<day>\d{1,2})(?:\s*,\s*|[-\s]+)(?P<year>\d{4}|\d{2})", re.ASCII
)
_CLOCK = re.compile(r"^(.*\d)[T\s]+(\d{1,2}):(\d{2})(?::(\d{2})(?:\.0+)?)?$", re.ASCII)


def _date(text: str, order: str, default: np.timedelta64) -> np.datetime64:
    clock = _CLOCK.match(text)
    offset = default
    if clock:
        text = clock.group(1).rstrip()
        hours, minutes, seconds = (int(clock.group(i) or 0) for i in (2, 3, 4))
        if hours > 24 or minutes > 59 or seconds > 59 or (hours == 24 and minutes + seconds > 0):
            raise ValueError("has no such time of day.")
        offset = np.timedelta64(hours * 3600 + minutes * 60 + seconds, "s")
    year, month, day = _calendar_day(text, order)
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise ValueError(f"lies outside the years {FIRST_YEAR} to {LAST_YEAR}.")
    try:
        date = np.datetime64(f"{year:04d}-{month:02d}-{day:02d}", "ns")
    except ValueError:
        swapped = order != "year-first" and month > 12 >= day
        hint = f" (read {order}; if the file is not {order}, declare its order)" if swapped else ""
        raise ValueError(f"is no day of the calendar{hint}.") from None
    return date + offset


def _calendar_day(text: str, order: str) -> tuple[int, int, int]:
    match = _NUMERIC_DATE.fullmatch(text)
    if match:
        parts = (match.group(1), match.group(3), match.group(4))
        year_at = 0 if order == "year-first" else 2
        if len(parts[2 - year_at]) > 2:
            where = "last" if order == "year-first" else "first"
            raise ValueError(f"has its year {where}, but the declared order is {order}.")
        if len(parts[year_at]) != 4 and (order == "year-first" or len(parts[year_at]) != 2):
            raise ValueError("has no year of four digits.")
        year, month, day = _PARTS[order](*parts)
        return _full_year(year), int(month), int(day)
    if re.fullmatch(r"[0-9]{8}", text) and order == "year-first":
        return int(text[:4]), int(text[4:6]), int(text[6:])
    named = _NAMED_DATE.fullmatch(text) or _NAMED_DATE_MONTH_FIRST.fullmatch(text)
    month_number = _MONTHS.get(named["month"].lower()) if named else None
    if named and month_number:
        return _full_year(named["year"]), month_number, int(named["day"])
    if re.fullmatch(r"[0-9]{5}(\.[0-9]+)?", text):
        raise ValueError("is a day number of a spreadsheet, not a date.")
    raise ValueError("is not a date.")


def _full_year(digits: str) -> int:
    year = int(digits)
    if len(digits) == 4:
        return year
    return year + (1900 if year >= _CENTURY_PIVOT else 2000)
