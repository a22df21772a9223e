"""Text cells of a table as numbers and dates: in a declared form, never guessed, never coerced without a message."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Sequence
from functools import partial

import numpy as np
import pandas as pd

from phenofit.errors import ModelError, Problem
from phenofit.files.dates import CENTURY_PIVOT, DATE_FORMS, DATE_ORDERS, SAMPLES, names_its_month, read_date
from phenofit.files.text_table import Table, shorten

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
    form: str,
    *,
    default_hour: float = 0.0,
    required: bool = True,
    missing: Collection[str] = MISSING_TEXTS,
    year: str = "",
) -> tuple[np.ndarray, list[Problem]]:
    """Read a column as dates in one declared form; `year` names the column with the year, where there is one."""
    if form not in DATE_FORMS:
        raise ModelError(f"'{form}' is not a form of dates; accepted are {', '.join(DATE_FORMS)}.")
    default = np.timedelta64(round(default_hour * 3600), "s")
    read = partial(_read, default=default)
    codes, cells = _distinct(table, column, year)
    values = np.full(len(cells), np.datetime64("NaT", "ns"))
    faults: dict[int, tuple[str, str]] = {}
    for i, cell in enumerate(cells):
        if cell[0].lower() in missing:
            if required:
                faults[i] = ("has no date.", f"Write a date {form}, such as {SAMPLES[form]}.")
            continue
        try:
            values[i] = read(cell, form)
        except ValueError as fault:
            faults[i] = (
                f"'{shorten(cell[0])}' {fault}",
                f"Accepted are dates {form}, such as {SAMPLES[form]}.",
            )
    dated = [i for i, cell in enumerate(cells) if cell[0].lower() not in missing]
    others = [o for o in DATE_ORDERS if o != form and _all_read([cells[i] for i in dated], o, read)]
    unread = [i for i in dated if i in faults]
    if unread and others:
        wrong = _wrong_order(table, column, codes, unread, faults, dated, others)
        faults = {i: faults[i] for i in faults if i not in unread}
    else:
        wrong = _swapped_by_spreadsheet(table, column, codes, cells, values, form)
    values, rest = _spread(table, column, codes, values, faults)
    return values, sorted([*wrong, *rest], key=lambda p: p.row or 0)


_Cell = tuple[str, str | None]
"""A date as text, and the text with its year where there is one."""


def _distinct(table: Table, column: str, year: str) -> tuple[np.ndarray, list[_Cell]]:
    """Return for each row the number of its distinct date, and the distinct dates."""
    if not year:
        codes, texts = pd.factorize(table.frame[column])
        return codes, [(text, None) for text in texts]
    pairs = pd.MultiIndex.from_frame(table.frame[[column, year]])
    codes, distinct = pd.factorize(pairs)
    return codes, [(str(text), str(of)) for text, of in distinct]


def _read(cell: _Cell, form: str, default: np.timedelta64) -> np.datetime64:
    return read_date(cell[0], form, default, cell[1])


def _all_read(cells: Collection[_Cell], form: str, read: Callable[[_Cell, str], np.datetime64]) -> bool:
    """Return whether every cell is a date in a form."""
    try:
        for cell in cells:
            read(cell, form)
    except ValueError:
        return False
    return True


def _wrong_order(
    table: Table,
    column: str,
    codes: np.ndarray,
    unread: list[int],
    faults: dict[int, tuple[str, str]],
    dated: list[int],
    orders: list[str],
) -> list[Problem]:
    """Return the one problem of a column whose dates can all be read in another order than the declared one."""
    bad = np.flatnonzero(np.isin(codes, unread))
    at, count = int(bad[0]), int(np.isin(codes, dated).sum())
    look = " or ".join(orders)
    remedy = f'Set dates = "{orders[0]}".' if len(orders) == 1 else f"Set dates to one of the two: {look}."
    which = f"all {count} dates look" if count > 1 else "the only date looks"
    some = f"; {len(bad)} of them cannot be read as declared" if len(bad) < count else ""
    return [table.problem(at, column, f"{which} {look}{some}: {faults[int(codes[at])][0]}", remedy)]


def _swapped_by_spreadsheet(
    table: Table, column: str, codes: np.ndarray, cells: list[_Cell], values: np.ndarray, form: str
) -> list[Problem]:
    """Return the problem of a sheet in which some dates are dates and others are texts.

    A program that expects the month first makes "3/5" the fifth of March, and leaves "17/5" as text. A date after the
    twelfth of a month shows that it did not.
    """
    if table.delimiter or form not in ("month-first", "day-first"):
        return []
    true = np.array([names_its_month(text) for text, _ in cells], dtype=bool)
    text = ~true & ~np.isnat(values)
    if not true.any() or not text.any():
        return []
    days = (values[true].astype("datetime64[D]") - values[true].astype("datetime64[M]")).astype(int) + 1
    if (days > 12).any():
        return []
    at = int(np.flatnonzero(np.isin(codes, np.flatnonzero(true)))[0])
    other = values[codes[at]].astype("datetime64[D]").item()
    finding = (
        f"{int(true[codes].sum())} cells are dates and {int(text[codes].sum())} are texts. "
        f"'{table.cell(at, column)}' may be {other:%Y-%m-%d} or, with day and month exchanged, {other:%Y-%d-%m}."
    )
    return [table.problem(at, column, finding, "Write all cells of the column as dates, or all as texts.")]


def two_digit_year_notes(table: Table, columns: Sequence[str]) -> list[str]:
    """Return the sentence on how two-digit years of some columns were read, if there are any."""
    times = pd.concat([table.frame[c] for c in columns]).value_counts()
    short = times.index.str.contains(r"^\d{1,2}[-/.]\d{1,2}[-/.]\d{2}(?:\D|$)", regex=True)
    count = int(times[short].sum())
    span = f"{1900 + CENTURY_PIVOT} to {1999 + CENTURY_PIVOT}"
    return [f"{count} dates with a two-digit year read as {span}."] if count else []


def some(texts: Sequence[str], most: int, between: str = ", ") -> str:
    """Return the first texts as a list, with an ellipsis where there are more."""
    return between.join(texts[:most]) + (" …" if len(texts) > most else "")


def _spread(
    table: Table, column: str, codes: np.ndarray, values: np.ndarray, faults: dict[int, tuple[str, str]]
) -> tuple[np.ndarray, list[Problem]]:
    """Assign the values and faults of the distinct texts to all their rows."""
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
