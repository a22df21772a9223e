"""The order of the dates of a table: stated where the cells leave no doubt, else asked with both readings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from phenofit.errors import DataError, Problem
from phenofit.files.dates import DATE_ORDERS
from phenofit.files.text_table import shorten
from phenofit.seasons import day_words
from phenofit.starting.looking import DateReading, backwards, date_evidence, date_readings, moment
from phenofit.starting.naming import DAY_OF_YEAR, SERIAL, WEEK, Role
from phenofit.starting.questions import Interview, Question

SERIALS = ("serial-1900", "serial-1904")
NUMBERED = ("day-of-year", "week", *SERIALS)
"""Dates that are numbers."""

_FORMS = {
    "year-first": "year, month, day, such as 2024-05-03",
    "month-first": "month, day, year, such as 05/03/2024",
    "day-first": "day, month, year, such as 03.05.2024",
    "day-of-year": "number of the day in its year",
    "week": "number of the week in its year",
    "serial-1900": "day number of a spreadsheet that counts from 1900",
    "serial-1904": "day number of a spreadsheet that counts from 1904",
}


def date_order(
    interview: Interview,
    section: str,
    source: tuple[str, str | None],
    cells: Sequence[str],
    traps: Sequence[str],
    *,
    role: Role | None = None,
    year: str | None = None,
) -> str | None:
    """Return how the dates of a column of a file are written, or those of its headers; None while that is asked."""
    table, column = source
    text = f"In which order are the dates of {table} written?"
    question = Question(f"{section}.dates", text)
    if role in (DAY_OF_YEAR, WEEK, SERIAL):
        return _numbered(interview, question, table, column, cells, role)
    readings = date_readings(cells, year=year)
    if year is not None:  # without years, year-first is the same as month-first
        readings = [reading for reading in readings if reading.order != "year-first"]
    if not readings:
        finding = f"{_shown(column)}: these are no dates, such as '{shorten(cells[0])}'."
        remedy = (
            f"Accepted: {'; '.join(_FORMS[order] for order in ('year-first', 'month-first', 'day-first'))}."
        )
        raise DataError(Problem(finding, remedy, table))
    evidence = date_evidence(column, cells, readings)
    complete = [reading for reading in readings if reading.complete]
    question = Question(question.name, text, choices={r.order: _FORMS[r.order] for r in readings})
    if len(complete) == 1:
        order = complete[0].order
        because = (
            evidence[0].rstrip(".")
            if order != "year-first" and evidence
            else f"{_shown(column)} begins with a year"
        )
        return interview.settle(question, order, f"{table}: {because}; the dates are {order}")
    if complete and all(reading.days == complete[0].days for reading in complete):
        because = f"{table}: {_shown(column)} reads the same in every order, such as '{shorten(cells[0])}'"
        return interview.settle(question, complete[0].order, because)
    evidence += tuple(_reading(reading, cells, traps, year is not None) for reading in readings)
    return interview.ask(Question(question.name, text, evidence, question.choices))


def _shown(column: str | None) -> str:
    return f"'{column}'" if column else "each header"


def _reading(reading: DateReading, cells: Sequence[str], traps: Sequence[str], yearless: bool) -> str:
    """Return what the first cell means in one order, and whether the checks of each trap are then in order."""
    first = next(text for text in cells if text in reading.days)
    back = backwards(traps, cells, reading)
    order = (
        f"{back} rows are dated before the row above of the same trap" if back else "the rows are in order"
    )
    return f"Read {reading.order}, '{shorten(first)}' is {_day(reading.days[first], years=not yearless)}, and {order}."


def _numbered(
    interview: Interview,
    question: Question,
    table: str,
    column: str | None,
    cells: Sequence[str],
    role: Role | None,
) -> str | None:
    if role is SERIAL:
        first = next(text for text in cells if text)
        evidence = tuple(f"Read {form}, '{first}' is {_day(moment(first, form, None))}." for form in SERIALS)
        choices = {form: _FORMS[form] for form in SERIALS}
        return interview.ask(Question(question.name, question.text, evidence, choices))
    form = "week" if role is WEEK else "day-of-year"
    question = Question(question.name, question.text, choices={f: _FORMS[f] for f in ("day-of-year", "week")})
    return interview.settle(question, form, f"{table}: {_shown(column)} is {role.what if role else ''}")


def dates_of(cells: pd.Series[str], form: str, years: pd.Series[str] | None = None) -> np.ndarray:
    """Return cells as days, NaT where they cannot be read; weeks as the reader of dates takes them."""
    beside = years.tolist() if years is not None else [None] * len(cells)
    pairs = list(zip(cells.tolist(), beside, strict=True))
    known = {(text, year): moment(text, form, year) for text, year in set(pairs)}
    return np.array([known[pair] for pair in pairs], dtype="datetime64[ns]")


def order_of_columns(cells: pd.DataFrame, first: str, second: str) -> str:
    """Return in how many rows the date of one column lies before that of another."""
    orders = [{reading.order for reading in date_readings(cells[name].tolist())} for name in (first, second)]
    found = [
        f"read {order}, in {int((dates_of(cells[first], order) < dates_of(cells[second], order)).sum())}"
        for order in DATE_ORDERS
        if order in orders[0] & orders[1]
    ]
    return f"Of {len(cells)} rows, '{first}' lies before '{second}': {'; '.join(found) or 'not known'}."


def _day(stamp: np.datetime64, *, years: bool = True) -> str:
    return day_words(stamp, year=years)
