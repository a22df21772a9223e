"""The catch table: what each check of each trap found."""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from phenofit.errors import DataError, ModelError, Problem
from phenofit.files.cells import DATE_ORDERS, parse_dates, parse_numbers, two_digit_year_notes
from phenofit.files.tables import read_table
from phenofit.files.text_table import Table, TableSource
from phenofit.traps.count_cells import (
    BLANK_MEANINGS,
    COUNT_UNITS,
    PER_NIGHT,
    CountWords,
    UnreadableCount,
    read_count,
)
from phenofit.traps.nightly_rates import counts_of_rates, read_rates
from phenofit.traps.sequence import date_order_problems, sequence_problems, sum_duplicates
from phenofit.traps.sheet_cells import fill_down, row_text
from phenofit.traps.species import species_key

CATCH_COLUMNS = ("trap", "set", "check", "count", "status", "effort", "row")
"""Columns of a catch table after reading; ``species`` follows where the file has it."""

_OPTIONAL = ("set", "species", "effort", "status")


def read_catches(
    path: TableSource,
    *,
    dates: str,
    blank: str,
    columns: Mapping[str, str | Sequence[str]] | None = None,
    species: str | None = None,
    hour: float = 12.0,
    words: CountWords | None = None,
    fill: Sequence[str] = (),
    duplicates: str = "refuse",
    unit: str = "moths",
) -> pd.DataFrame:
    r"""Read a catch table.

    Parameters
    ----------
    path : path-like or pandas.DataFrame
        Delimited text, one row per check of a trap: ``trap``, ``date`` (of the check; ``check`` is accepted as
        its name), ``count``, and optionally ``set`` (start of the interval: the day the trap was set or last
        emptied), ``species``, ``effort`` (how many traps stood, or their relative catching power; not
        trap-nights, since the length of the interval is counted already) and ``status`` (a word such as
        ``lost``).
    dates : {"year-first", "month-first", "day-first"}
        Order of the parts of every date; never guessed.
    blank : {"not checked", "zero"}
        What an empty count cell means; never guessed.
    columns : mapping, optional
        Our column names to those of the file. ``trap`` may be given a list of columns, whose cells are then
        joined by a blank.
    species : str, optional
        Keep only the rows of this species.
    hour : float
        Hour of the day of a check without a time [h, local].
    words : CountWords, optional
        Words of the count and status cells.
    fill : sequence of str
        ``trap`` or ``site`` where a blank cell takes the value above, as in sheets with merged cells.
    duplicates : {"refuse", "sum"}
        What to do with two rows of one trap (and species) on one date.
    unit : {"moths", "moths per night"}
        What the numbers are. A rate times its nights becomes a count: those of a column ``nights``, else the calendar
        nights since ``set``, else since the check before. The product must be within 0.05 of a whole number.

    Returns
    -------
    pandas.DataFrame
        Columns ``trap``, ``set`` (datetime64[ns], NaT where not given), ``check`` (datetime64[ns]), ``count``
        (float, NaN unless counted), ``status`` (``counted``, ``missing``: not checked but standing, ``lost``,
        ``at least``, ``present``), ``effort`` (float), ``row`` (line of the file), and ``species`` where the
        file has it; sorted by trap and check. ``attrs["notes"]`` says what was skipped, filled or added up.

    Raises
    ------
    DataError
        With every problem found.
    ModelError
        If `dates`, `blank` or `duplicates` is none of the accepted words, or a word has two meanings.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "catches.csv"
    >>> _ = path.write_text("trap,date,count\nA1,2024-06-01,0\nA1,2024-06-08,\nA1,2024-06-15,>100\n")
    >>> read_catches(path, dates="year-first", blank="not checked")["status"].tolist()
    ['counted', 'missing', 'at least']
    """
    frame, problems = examine_catches(
        path,
        dates=dates,
        blank=blank,
        columns=columns,
        species=species,
        hour=hour,
        words=words,
        fill=fill,
        duplicates=duplicates,
        unit=unit,
    )
    if problems:
        raise DataError(problems)
    return frame


def examine_catches(
    path: TableSource,
    *,
    dates: str,
    blank: str,
    columns: Mapping[str, str | Sequence[str]] | None = None,
    species: str | None = None,
    hour: float = 12.0,
    words: CountWords | None = None,
    fill: Sequence[str] = (),
    duplicates: str = "refuse",
    unit: str = "moths",
) -> tuple[pd.DataFrame, list[Problem]]:
    """Read a catch table as far as it can be read; return it with NaT and NaN in faulty cells, and every problem."""
    words = words or CountWords()
    _check_call(dates, blank, duplicates, words, unit)
    table = _read(path, columns, unit)
    table = fill_down(table, fill)
    notes: list[str] = []
    frame, problems = _typed(table, dates, blank, hour, words, notes, unit)
    if unit == PER_NIGHT:
        frame, more, said = counts_of_rates(frame, table)
        problems, notes = [*problems, *more], [*notes, *said]
    if species is not None:
        frame = _of_species(frame, table, species, problems, notes)
    frame = frame.sort_values(["trap", "check", "row"], kind="stable", ignore_index=True)
    if duplicates == "sum":
        before = frame["count"].sum()
        frame, added = sum_duplicates(frame)
        if added:
            lost = int(before - frame["count"].sum())
            unused = (
                f"; {lost} moths are not used, as part of their sum is lost or not checked" if lost else ""
            )
            notes.append(
                f"{len(added)} rows added to another of the same trap and date ({row_text(added)}){unused}."
            )
    problems += sequence_problems(frame, file=table.file, names=table.names)
    frame.attrs = {"notes": tuple(notes), "file": table.file}
    return frame, sorted(problems, key=lambda p: p.row or 0)


def _check_call(dates: str, blank: str, duplicates: str, words: CountWords, unit: str) -> None:
    for name, value, accepted in (
        ("dates", dates, DATE_ORDERS),
        ("blank", blank, BLANK_MEANINGS),
        ("duplicates", duplicates, ("refuse", "sum")),
        ("unit", unit, COUNT_UNITS),
    ):
        if value not in accepted:
            raise ModelError(f"{name} = '{value}' is not accepted; write one of {', '.join(accepted)}.")
    unclear = words.contradictions()
    if unclear:
        raise ModelError(f"the word '{unclear[0]}' has two meanings in the count column; give it one.")


def _read(path: TableSource, columns: Mapping[str, str | Sequence[str]] | None, unit: str) -> Table:
    """Read the text cells; join the parts of a trap's name; call the check date ``date``."""
    optional = (*_OPTIONAL, "nights") if unit == PER_NIGHT else _OPTIONAL
    if "nights" in (columns or {}) and unit != PER_NIGHT:
        raise ModelError(
            f"the column 'nights' has no effect on counts; for rates, set unit = \"{PER_NIGHT}\"."
        )
    given: dict[str, str] = {}
    parts: list[str] = []
    for ours, theirs in (columns or {}).items():
        if isinstance(theirs, str):
            given["date" if ours == "check" else ours] = theirs
        elif ours == "trap" and theirs:
            given["trap"] = theirs[0]
            for i, name in enumerate(theirs[1:], start=2):
                parts.append(f"trap part {i}")
                given[parts[-1]] = name
        else:
            raise ModelError(
                f"column '{ours}' must be one column name of the file; only 'trap' takes a list."
            )
    try:
        table = read_table(path, columns=given, required=("trap", "date", "count", *parts), optional=optional)
    except DataError as fault:
        if "date" in given or not any(_lacks_date(p) for p in fault.problems):
            raise
        try:
            table = read_table(
                path,
                columns={**given, "date": "check"},
                required=("trap", "date", "count", *parts),
                optional=optional,
            )
        except DataError:
            raise DataError([_totals_hint(p) for p in fault.problems]) from None
    if parts:
        frame = table.frame.copy()
        named = zip(*(frame[name] for name in ("trap", *parts)), strict=True)
        frame["trap"] = [" ".join(filter(None, cells)) for cells in named]
        table = replace(table, frame=frame.drop(columns=parts))
    return table


def _lacks_date(problem: Problem) -> bool:
    return problem.finding.startswith("there is no column 'date'")


def _totals_hint(problem: Problem) -> Problem:
    if not _lacks_date(problem):
        return problem
    remedy = f"{problem.remedy} A table of season totals holds no timing and cannot be used."
    return replace(problem, remedy=remedy)


def _typed(
    table: Table, dates: str, blank: str, hour: float, words: CountWords, notes: list[str], unit: str
) -> tuple[pd.DataFrame, list[Problem]]:
    cells = table.frame
    if cells.empty:
        problem = Problem("the table has no row.", "List one check per row.", table.file)
        return pd.DataFrame({name: [] for name in CATCH_COLUMNS}), [problem]
    remedy = "Write the trap of every row, or ask for filling down."
    problems = table.problems(cells["trap"] == "", "trap", "the row names no trap.", remedy)
    notes += [*table.notes, *two_digit_year_notes(table, [c for c in ("date", "set") if c in cells])]
    check, more = parse_dates(table, "date", dates, default_hour=hour)
    problems += _season_totals(table) or more or date_order_problems(table, "date", dates, check)
    set_ = np.full(len(cells), np.datetime64("NaT", "ns"))
    if "set" in cells:
        set_, more = parse_dates(table, "set", dates, default_hour=hour, required=False)
        problems += more
    effort = np.ones(len(cells))
    if "effort" in cells:
        effort, more = parse_numbers(table, "effort", low=1e-9, high=1e6, what="a number above 0")
        problems += more
        effort = np.where(np.isnan(effort), 1.0, effort)
    count, status, more = _counts(table, blank, words, unit)
    problems += more
    frame = pd.DataFrame(
        {
            "trap": cells["trap"].astype(str),
            "set": set_,
            "check": check,
            "count": count,
            "status": status,
            "effort": effort,
            "row": table.rows,
        }
    )
    if "species" in cells:
        frame["species"] = cells["species"].astype(str)
    return frame, problems


def _season_totals(table: Table) -> list[Problem]:
    """Refuse a table whose dates are years: totals per season hold no timing."""
    filled = table.frame["date"][table.frame["date"] != ""]
    year = re.compile(r"\d{4}([/-]\d{2,4})?")
    if filled.empty or not all(year.fullmatch(text) for text in filled.unique()):
        return []
    finding = f"the dates are years ('{filled.iloc[0]}'): these are season totals."
    remedy = "Totals hold no timing; give the date and count of every check."
    return [table.problem(int(filled.index[0]), "date", finding, remedy)]


def _counts(
    table: Table, blank: str, words: CountWords, unit: str
) -> tuple[np.ndarray, list[str], list[Problem]]:
    cells = table.frame
    count, status = np.full(len(cells), np.nan), ["counted"] * len(cells)
    problems: list[Problem] = []
    rate = np.zeros(len(cells), dtype=bool)
    if unit == PER_NIGHT:
        rate, count, problems = read_rates(table)
    stated = cells["status"].tolist() if "status" in cells else [""] * len(cells)
    # Long tables repeat their cells.
    read = functools.cache(functools.partial(read_count, blank=blank, words=words))
    for i, (text, word) in enumerate(zip(cells["count"].tolist(), stated, strict=True)):
        try:
            if not rate[i]:
                count[i], status[i] = read(text)
        except UnreadableCount as fault:
            problems.append(table.problem(i, "count", fault.finding, fault.remedy))
            continue
        if not word:
            continue
        problem = _apply_status(table, i, word, words, count, status)
        if problem is not None:
            problems.append(problem)
    return count, status, problems


def _apply_status(
    table: Table, i: int, word: str, words: CountWords, count: np.ndarray, status: list[str]
) -> Problem | None:
    """Let a word of the status column rule the count cell, unless the two contradict each other."""
    meaning = words.meaning(word)
    if meaning is None:
        remedy = "Declare the word as present, lost, not checked, zero or counted."
        return table.problem(i, "status", f"'{table.cell(i, 'status')}' is no declared status.", remedy)
    cell = table.cell(i, "count")
    none_but = cell and (count[i] == 0 or status[i] in ("lost", "missing"))
    if (meaning in ("lost", "missing", "zero") and count[i] > 0) or (meaning == "present" and none_but):
        finding = f"'{word}' contradicts the count '{cell}'."
        return table.problem(i, "status", finding, "Leave the count blank, or correct the status.")
    if meaning in ("lost", "missing", "zero"):
        count[i], status[i] = (0.0, "counted") if meaning == "zero" else (np.nan, meaning)
    elif meaning == "present" and not count[i] > 0:
        count[i], status[i] = 1.0, "present"
    elif meaning == "counted" and status[i] in ("missing", "lost"):
        return table.problem(
            i, "count", f"the status says '{word}' but there is no count.", "Write the count."
        )
    return None


def _of_species(
    frame: pd.DataFrame, table: Table, species: str, problems: list[Problem], notes: list[str]
) -> pd.DataFrame:
    if "species" not in frame:
        return frame
    own = frame["species"].map(species_key) == species_key(species)
    if not own.any():
        there = ", ".join(sorted({f"'{name}'" for name in frame["species"] if name})[:8])
        remedy = f"The species in the table are: {there}."
        column = table.names["species"]
        problems.append(Problem(f"no row is of species '{species}'.", remedy, table.file, column=column))
    elif not own.all():
        notes.append(f"{int((~own).sum())} rows of other species left aside.")
    return frame[own]
