"""What the cells of a table show, each with its evidence: pure functions that decide nothing."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from phenofit.files.cells import MISSING_TEXTS
from phenofit.files.dates import DATE_ORDERS, read_date
from phenofit.files.text_table import Table, shorten
from phenofit.traps.count_cells import CountWords, UnreadableCount, read_count
from phenofit.units import TEMPERATURE_UNITS, to_celsius

NUMBER = re.compile(r"[-+−]?(?:\d+(?:[.,]\d*)?|[.,]\d+)", re.ASCII)
_THREE_PARTS = re.compile(r"(\d{1,2})([-/.])(\d{1,2})\2(?:\d{4}|\d{2})(?:\D.*)?", re.ASCII)
_MOSTLY = 0.9
"""Share of the filled cells that must be of a kind for the column to count as one of it."""

# Common practice, no source: monthly means of the warmest month where moths are trapped.
COLDEST_SUMMER, WARMEST_SUMMER = 8.0, 40.0


@dataclass(frozen=True)
class ColumnLook:
    """What the cells of one column look like."""

    name: str
    blank: int  # Cells without a value.
    filled: int
    numbers: int  # Filled cells that are numbers.
    fractions: int  # Numbers with decimals other than 0.
    low: float  # Smallest and largest number; NaN without numbers.
    high: float
    distinct: tuple[str, ...]  # Different filled cells, in the order of the file.
    dated: bool  # Whether nearly all filled cells are dates in one of the calendar orders.
    yearless: bool = False  # Whether these dates have no year.

    @property
    def numeric(self) -> bool:
        """Whether nearly all filled cells are numbers."""
        return self.filled > 0 and self.numbers >= _MOSTLY * self.filled and not self.dated

    @property
    def whole(self) -> bool:
        """Whether all numbers are whole."""
        return self.numeric and self.fractions == 0

    def words(self) -> str:
        """Return the column in words."""
        some = ", ".join(f"'{shorten(text)}'" for text in self.distinct[:3])
        more = ", …" if len(self.distinct) > 3 else ""
        kind = "dates" if self.dated else "numbers" if self.numeric else "texts"
        return f"{len(self.distinct)} different {kind}: {some}{more}; {self.blank} blank"


def look_at(table: Table, column: str) -> ColumnLook:
    """Return what the cells of a column look like."""
    cells = table.frame[column]
    counts = cells.value_counts(sort=False)
    filled = {str(t): int(n) for t, n in counts.items() if str(t).lower() not in MISSING_TEXTS}
    values = {text: number_of(text) for text in filled if NUMBER.fullmatch(text)}
    numbers = list(values.values())
    fractions = sum(filled[text] for text, value in values.items() if value != round(value))
    order = [text for text in dict.fromkeys(cells) if text in filled]
    dated = bool(date_readings(order)) and len(values) < len(filled)
    # A number such as 1.5 could be a day without its year, too.
    yearless = not dated and not values and bool(date_readings(order, year=ANY_YEAR))
    return ColumnLook(
        column,
        len(cells) - sum(filled.values()),
        sum(filled.values()),
        sum(filled[text] for text in values),
        fractions,
        min(numbers, default=np.nan),
        max(numbers, default=np.nan),
        tuple(order),
        dated or yearless,
        yearless,
    )


def number_of(text: str) -> float:
    """Return the number in a cell, whichever sign separates its decimals."""
    return float(text.replace("−", "-").replace(",", "."))


# --- dates ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class DateReading:
    """The cells of a column read in one order of the parts of a date."""

    order: str
    read: int  # Different cells that are dates in this order.
    cells: int  # Different filled cells.
    days: dict[str, np.datetime64]

    @property
    def complete(self) -> bool:
        """Whether every filled cell is a date in this order."""
        return self.read == self.cells


ANY_YEAR = "2020"
"""A leap year, in which every day of the calendar without a year can be read."""


def date_readings(texts: Sequence[str], *, year: str | None = None) -> list[DateReading]:
    """Return the orders in which nearly all of some cells are dates; of `year` where they have none of their own."""
    cells = [text for text in dict.fromkeys(texts) if text.lower() not in MISSING_TEXTS]
    if not cells or not any(c.isdigit() for c in cells[0]):
        return []
    readings = []
    for order in DATE_ORDERS:
        moments = {text: moment(text, order, year) for text in cells}
        days = {text: day for text, day in moments.items() if not np.isnat(day)}
        if len(days) >= _MOSTLY * len(cells):
            readings.append(DateReading(order, len(days), len(cells), days))
    return readings


def moment(text: str, form: str, year: str | None) -> np.datetime64:
    """Return the day and time that a text means in one form of dates; NaT where it means none."""
    try:
        return read_date(text, form, np.timedelta64(0, "s"), year)
    except ValueError:
        return np.datetime64("NaT", "ns")


def date_evidence(
    column: str | None, cells: Sequence[str], readings: Sequence[DateReading]
) -> tuple[str, ...]:
    """Return the evidence for each order of the dates of a column, or of the headers where there is none."""
    whose = f"'{column}' has" if column else "the headers have"
    cell = "row" if column else "column"
    parts = [match for text in cells if (match := _THREE_PARTS.fullmatch(text))]
    found: list[str] = []
    for place, group in (("first", 1), ("second", 3)):
        large = [match for match in parts if int(match.group(group)) > 12]
        if large:
            rows = f"1 {cell}" if len(large) == 1 else f"{len(large)} {cell}s"
            found.append(
                f"{whose} a number above 12 in the {place} place in {rows}, "
                f"such as '{shorten(large[0].group())}'."
            )
    if parts and not found:
        found.append(f"{whose} no number above 12 in the first or second place.")
    for reading in readings:
        if not reading.complete:
            bad = next(text for text in cells if text and text not in reading.days)
            found.append(
                f"Read {reading.order}, {reading.read} of {reading.cells} different cells are dates; "
                f"'{shorten(bad)}' is not."
            )
    return tuple(found)


def backwards(names: Sequence[str], cells: Sequence[str], reading: DateReading) -> int:
    """Return in how many rows the date lies before that of the row above of the same trap."""
    last: dict[str, np.datetime64] = {}
    count = 0
    for name, text in zip(names, cells, strict=True):
        day = reading.days.get(text)
        if day is None:
            continue
        count += int(name in last and bool(day < last[name]))
        last[name] = day
    return count


def gaps_in_days(names: Sequence[str], days: np.ndarray, *, longest: int = 60) -> np.ndarray:
    """Return the days between successive checks of one trap, those within a season."""
    known = ~np.isnat(days)
    frame = pd.DataFrame({"trap": np.asarray(names, dtype=object)[known], "day": days[known]})
    frame = frame.drop_duplicates().sort_values(["trap", "day"], kind="stable")
    same = frame["trap"].to_numpy()[1:] == frame["trap"].to_numpy()[:-1]
    steps = np.diff(frame["day"].to_numpy()).astype("timedelta64[D]").astype(np.int64)[same]
    return np.asarray(steps[steps <= longest])


def over_new_year(names: Sequence[str], days: np.ndarray, *, longest: int = 60) -> int:
    """Return how often a trap was checked before and after the same New Year, at most `longest` days apart."""
    known = ~np.isnat(days)
    frame = pd.DataFrame({"trap": np.asarray(names, dtype=object)[known], "day": days[known]})
    frame = frame.drop_duplicates().sort_values(["trap", "day"], kind="stable")
    step = frame.groupby("trap", sort=False)["day"].diff().dt.days
    turned = frame["day"].dt.year != frame.groupby("trap", sort=False)["day"].shift().dt.year
    return int((turned & (step <= longest)).sum())


# --- counts -----------------------------------------------------------------------------------------------


def count_words(cells: Sequence[str]) -> dict[str, int]:
    """Return the words of a count column that have no declared meaning, with the number of cells of each."""
    found: dict[str, int] = {}
    for text in cells:
        if not text or any(c.isdigit() for c in text):
            continue
        try:
            read_count(text, blank="zero")
        except UnreadableCount:
            found[text] = found.get(text, 0) + 1
    return found


def count_like(look: ColumnLook) -> bool:
    """Return whether a column may hold counts: numbers from 0 up, or the words of such a column."""
    words = CountWords()
    read = [text for text in look.distinct if NUMBER.fullmatch(text) or _bound(text) or words.meaning(text)]
    some = any(any(c.isdigit() for c in text) for text in read)
    return some and not look.dated and not look.low < 0 and 2 * len(read) >= len(look.distinct)


def _bound(text: str) -> bool:
    return re.fullmatch(r"(?:>=|≥|>)\s*\d+|\d+\s*\+|\d{1,3}([,.' ])\d{3}", text) is not None


# --- temperatures -----------------------------------------------------------------------------------------


def warmest_month(tmin: np.ndarray, tmax: np.ndarray, days: np.ndarray) -> tuple[float, int]:
    """Return the mean of the warmest calendar month, in the unit of the file, and how many months there are."""
    mean = (tmin + tmax) / 2.0
    known = np.isfinite(mean) & ~np.isnat(days)
    if not known.any():
        return float("nan"), 0
    months = days[known].astype("datetime64[M]").astype(np.int64) % 12
    means = pd.Series(mean[known]).groupby(months).mean()
    return float(means.max()), len(means)


def unit_readings(temperature: float) -> dict[str, float]:
    """Return a temperature [degC] under each unit that it may be in."""
    return {unit: float(to_celsius(temperature, unit)) for unit in TEMPERATURE_UNITS}


def is_summer(celsius: float) -> bool:
    """Return whether a mean of the warmest month [degC] is plausible for a place where moths are trapped."""
    return COLDEST_SUMMER <= celsius <= WARMEST_SUMMER
