"""The form of the catch table: one row per check, or one column per date, trap or species; which column is what."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from phenofit.files.text_table import BLOCK, HEADER, SHEET
from phenofit.starting.date_orders import order_of_columns
from phenofit.starting.looking import count_like
from phenofit.starting.naming import (
    COUNT,
    DATE,
    DAY_OF_YEAR,
    EFFORT,
    NIGHTS,
    SERIAL,
    SET,
    SPECIES,
    STATUS,
    TRAP,
    WEEK,
    YEAR,
    Role,
    choose_column,
    plain,
)
from phenofit.starting.questions import NONE, Interview, Question
from phenofit.starting.recognising import date_headers
from phenofit.starting.sheets import Sheet

Columns = Mapping[str, str | tuple[str, ...]]
_TOTALS = {"total", "totals", "sum", "mean", "average", "grandtotal"}
_HEADERS = {
    "trap": "each of these columns is a trap",
    "species": "each of these columns is a species",
    "part": "each is a lure or a repeat at the trap of the row; it becomes a series of its own",
    NONE: "the table has one row per check and one column of counts",
}


@dataclass(frozen=True)
class CatchForm:
    """The columns of trap, date and count of each check."""

    columns: Columns
    headers: str | None = None  # What the headers of a wide table are.
    counts: tuple[str, ...] = ()  # The columns of counts.
    blocks: bool = False
    fill_down: bool = False  # Whether a blank name of a trap repeats the one above.
    day: Role = field(default=DATE)  # What the dates look like.

    def named(self, key: str) -> str | None:
        """Return the column of one of our names, if it is one column of the table."""
        found = self.columns.get(key)
        return found if isinstance(found, str) and found not in (HEADER, BLOCK, SHEET) else None


def catch_form(interview: Interview, sheet: Sheet, trap_texts: set[str]) -> CatchForm | None:
    """Return the form of the catch table; None while a question about it is open."""
    headers, counts = _wide(interview, sheet, trap_texts)
    if headers is None:
        return None
    columns: dict[str, str | tuple[str, ...]] = {}
    taken = set(counts)
    day = DATE
    if headers != "date":
        found, day = _date_column(interview, sheet, taken)
        if found is not None:
            columns["date"] = found
            taken.add(found)
    blocks = _blocks(interview, sheet) if headers != NONE else False
    yearless = day in (DAY_OF_YEAR, WEEK) or bool(columns and sheet.looks[str(columns["date"])].yearless)
    if yearless and blocks is False:
        year = choose_column(interview, "catches.columns", sheet, YEAR, taken=taken)
        columns |= {"year": year} if year else {}
    elif yearless and blocks:
        columns["year"] = BLOCK
    taken |= {c for c in columns.values() if isinstance(c, str)}
    fill: bool | None = False
    counted = set(COUNT.named(sheet, taken))
    if headers != "trap":
        trap = choose_column(interview, "catches.columns", sheet, TRAP, taken=taken | counted)
        if trap is not None:
            columns["trap"] = (trap, HEADER) if headers == "part" else trap
            fill = _fill_down(interview, sheet, trap)
            taken.add(trap)
    if headers == NONE:
        count = choose_column(interview, "catches.columns", sheet, COUNT, taken=taken)
        if count is None:
            return None
        columns["count"], counts = count, (count,)
        taken.add(count)
        _optional(interview, sheet, columns, taken)
    elif headers != "species":
        species = choose_column(interview, "catches.columns", sheet, SPECIES, taken=taken, optional=True)
        columns |= {"species": species} if species else {}
    if interview.open or blocks is None or fill is None:
        return None
    wide = None if headers == NONE else headers
    return CatchForm(columns, wide, tuple(counts), blocks, fill, day)


def _wide(interview: Interview, sheet: Sheet, trap_texts: set[str]) -> tuple[str | None, Sequence[str]]:
    """Return what the headers of the columns of counts are, and these columns; ``none`` where there is only one."""
    dated = date_headers(sheet)
    name = "catches.wide.headers"
    question = Question(
        name, f"What do the headers of the columns of counts in {sheet.shown} name?", choices=_HEADERS
    )
    if dated:
        interview.state(
            f"{sheet.shown}: {len(dated)} headers are dates ('{dated[0]}' to '{dated[-1]}'), so it has one "
            "column per date"
        )
        return "date", dated
    roles = (DATE, SET, NIGHTS, YEAR, DAY_OF_YEAR, WEEK, TRAP, SPECIES)
    used = {column for role in roles for column in role.named(sheet)}
    left = [c for c, look in sheet.looks.items() if c not in used and count_like(look)]
    totals = [c for c in left if plain(c) in _TOTALS]
    many = [c for c in left if c not in totals]
    traps = [c for c in many if c.casefold() in trap_texts]
    if len(many) < 2 or (COUNT.named(sheet) and not traps and name not in interview.answers):
        return NONE, ()
    if len(traps) > 1:
        because = f"{sheet.shown}: the headers {_some(traps)} are names of the trap table"
        headers: str | None = interview.settle(question, "trap", because)
    else:
        evidence = [f"These columns hold numbers: {_some(many)}."]
        if totals:
            evidence.append(f"A column named as a total is not used: {_some(totals)}.")
        headers = interview.ask(Question(name, question.text, tuple(evidence), _HEADERS))
    if headers in (None, NONE):
        return headers, ()
    known = headers == "trap" and len(traps) == len(many)
    return headers, _count_columns(interview, sheet, many, trap_texts, settled=known)


def _count_columns(
    interview: Interview, sheet: Sheet, many: Sequence[str], trap_texts: set[str], *, settled: bool
) -> Sequence[str]:
    """Return the columns of counts; they are asked where one of them is no trap of the trap table."""
    choices = {column: sheet.looks[column].words() for column in many}
    text = f"Which columns of {sheet.shown} hold counts?"
    strange = [column for column in many if column.casefold() not in trap_texts]
    evidence = (f"No names of the trap table: {_some(strange)}.",) if 0 < len(strange) < len(many) else ()
    question = Question("catches.wide.columns", text, evidence, choices, several=True)
    if settled and question.name not in interview.answers:
        return many
    return interview.ask_several(question)


def _fill_down(interview: Interview, sheet: Sheet, trap: str) -> bool | None:
    """Return whether a blank name of a trap repeats the one above; None while that is asked."""
    cells = sheet.table.frame[trap]
    blank = (cells == "") & (cells.shift(fill_value="") != "").cummax()
    # A row with a blank name and nothing else is a row of totals or of notes, which the reader names.
    blank &= (sheet.table.frame != "").sum(axis=1) > 1
    if not blank.any():
        return False
    first = sheet.table.rows[int(np.flatnonzero(blank)[0])]
    evidence = (f"{int(blank.sum())} cells of '{trap}' are blank below a name; the first is in row {first}.",)
    choices = {
        "trap": "it repeats the name above, as in merged cells",
        NONE: "it is a fault; the check names it",
    }
    question = Question("catches.fill_down", f"What is a blank '{trap}' in {sheet.shown}?", evidence, choices)
    answer = interview.ask(question)
    return None if answer is None else answer == "trap"


def _some(names: Sequence[str]) -> str:
    return ", ".join(f"'{name}'" for name in names[:6]) + (
        f" and {len(names) - 6} more" if len(names) > 6 else ""
    )


def _date_column(interview: Interview, sheet: Sheet, taken: set[str]) -> tuple[str | None, Role]:
    """Return the column of the dates of the checks, and what these look like."""
    if not DATE.fitting(sheet, taken):
        for role in (DAY_OF_YEAR, WEEK, SERIAL):
            if role.named(sheet, taken):
                return choose_column(interview, "catches.columns", sheet, role, taken=taken), role
    fitting, ours = DATE.fitting(sheet, taken), SET.named(sheet, taken)
    # A column named as the date on which the trap was set is not the date of the check, where there is another.
    others = [column for column in fitting if column not in ours]
    taken = taken | set(ours) if others else taken
    pairs = itertools.combinations(others or fitting, 2)
    evidence = tuple(order_of_columns(sheet.table.frame, *pair) for pair in pairs)
    return choose_column(interview, "catches.columns", sheet, DATE, taken=taken, evidence=evidence), DATE


def _optional(
    interview: Interview, sheet: Sheet, columns: dict[str, str | tuple[str, ...]], taken: set[str]
) -> None:
    """Add the columns that a table with one row per check may have."""
    if columns.get("date") and SET.fitting(sheet, taken) and not SET.named(sheet, taken):
        _ask_set(interview, sheet, columns, taken)
    for role in (SET, SPECIES, STATUS, EFFORT, NIGHTS):
        if role.key in columns:
            continue
        found = choose_column(interview, "catches.columns", sheet, role, taken=taken, optional=True)
        if found is not None:
            columns[role.key] = found
            taken.add(found)


def _ask_set(
    interview: Interview, sheet: Sheet, columns: dict[str, str | tuple[str, ...]], taken: set[str]
) -> None:
    """Ask whether another column of dates is the day on which the trap was set or last emptied."""
    others = SET.fitting(sheet, taken)
    choices = {name: f"the interval begins at '{name}'" for name in others}
    choices[NONE] = "none of them; it is not used"
    frame, date = sheet.table.frame, str(columns["date"])
    evidence = tuple(f"'{name}' has {sheet.looks[name].words()}." for name in others)
    evidence += tuple(order_of_columns(frame, name, date) for name in others)
    text = f"Does a column of {sheet.shown} hold {SET.what}?"
    found = interview.ask(Question("catches.columns.set", text, evidence, choices))
    if found is not None and found != NONE:
        columns["set"] = found
        taken.add(found)


def _blocks(interview: Interview, sheet: Sheet) -> bool | None:
    """Return whether rows with a text in their first cell only begin a block; None while that is asked."""
    frame = sheet.table.frame
    alone = _alone(frame)
    if not alone.any():
        return False
    at = int(np.flatnonzero(alone)[0])
    first = sheet.table.cell(at, str(frame.columns[0]))
    where = f"the first is row {sheet.table.rows[at]}: '{first}'"
    evidence = (f"{int(alone.sum())} rows have a text in their first cell only; {where}.",)
    choices = {"true": "such a row begins a block", "false": "such a row is an ordinary row without counts"}
    question = Question("catches.wide.blocks", "Do such rows begin a block of rows?", evidence, choices)
    answer = interview.ask(question)
    return None if answer is None else answer == "true"


def _alone(frame: pd.DataFrame) -> pd.Series[bool]:
    others = frame.iloc[:, 1:].drop(columns=SHEET, errors="ignore")
    return (frame.iloc[:, 0] != "") & (others == "").all(axis=1)


def checks_of(sheet: Sheet, form: CatchForm) -> pd.DataFrame:
    """Return one row per count cell: ``trap, date, count, header, at`` as text, ``at`` the row of the table."""
    frame = sheet.table.frame
    if form.blocks:
        begins = _alone(frame)
        frame = frame.assign(**{BLOCK: frame.iloc[:, 0].where(begins).ffill()})[~begins]
    trap = form.columns.get("trap")
    if form.fill_down and trap is not None:
        name = trap if isinstance(trap, str) else trap[0]
        frame = frame.assign(**{name: frame[name].mask(frame[name] == "").ffill().fillna("")})
    parts = []
    for header in form.counts:
        part = pd.DataFrame({"count": frame[header], "header": header, "at": frame.index})
        for key in ("trap", "date"):
            part[key] = _cells(frame, form.columns.get(key, HEADER), header)
        for key in ("set", "species", "status", "nights", "year"):
            theirs = form.columns.get(key)
            if isinstance(theirs, str) and theirs in frame:
                part[key] = frame[theirs]
        parts.append(part)
    checks = pd.concat(parts, ignore_index=True)
    if form.headers == "species":
        checks["species"] = checks["header"]
    return checks[(checks["count"] != "") | (checks["trap"] != "") | (checks["date"] != "")]


def _cells(frame: pd.DataFrame, theirs: str | tuple[str, ...], header: str) -> pd.Series[str]:
    names = (theirs,) if isinstance(theirs, str) else theirs
    columns = [pd.Series(header, frame.index) if name == HEADER else frame[name] for name in names]
    joined = columns[0].astype(str)
    for more in columns[1:]:
        joined = (joined + " " + more.astype(str)).str.strip()
    return joined
