"""The catch table: what each check of each trap found."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from phenofit.errors import DataError, ModelError, Problem
from phenofit.files.cells import parse_dates, parse_numbers, two_digit_year_notes
from phenofit.files.dates import DATE_FORMS
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
from phenofit.traps.forms import (
    READ_WITH_THE_TABLE,
    CatchFile,
    cut_overlaps,
    drop_identical,
    interval_starts,
    lure_changes,
    sum_duplicates,
)
from phenofit.traps.nightly_rates import counts_of_rates, read_rates
from phenofit.traps.sequence import date_order_problems, sequence_problems
from phenofit.traps.sheet_cells import fill_down, row_text
from phenofit.traps.species import species_key

CATCH_COLUMNS = ("trap", "set", "check", "count", "status", "effort", "row")
"""Columns of a catch table after reading; ``species`` follows where the file has it."""

_OPTIONAL = ("set", "nights", "species", "lure", "effort", "status")


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
        Delimited text or a workbook, one row per check of a trap: ``trap``, ``date`` (of the check; ``check`` is
        accepted as its name), ``count``, and optionally ``set`` (start of the interval: the day the trap was set
        or last emptied) or ``nights`` (how many nights lie before the check), ``species``, ``lure``, ``effort``
        (how many traps stood, or their relative catching power; not trap-nights, since the length of the interval
        is counted already) and ``status`` (a word such as ``lost``). A :class:`CatchFile` says more of the file:
        its encoding and sheets, several count columns, where intervals start.
    dates : {"year-first", "month-first", "day-first", "day-of-year", "week", "serial-1900", "serial-1904"}
        Order of the parts of every date, or kind of its number; never guessed. Where dates have no year,
        ``columns`` names the column ``year``. A week is that of ISO 8601, its check on its Sunday.
    blank : {"not checked", "zero"}
        What an empty count cell means; never guessed.
    columns : mapping, optional
        Our column names to those of the file, or ``"<sheet>"``, ``"<header>"``, ``"<block>"``: the name of the
        sheet, the header of the count column, the text that begins the block. ``trap`` may be given a list of
        columns, whose cells are then joined by a blank.
    species : str, optional
        Keep only the rows of this species.
    hour : float
        Hour of the day of a check without a time [h, local].
    words : CountWords, optional
        Words of the count and status cells.
    fill : sequence of str
        ``trap`` or ``site`` where a blank cell takes the value above, as in sheets with merged cells.
    duplicates : {"refuse", "sum"}
        What to do with two different rows of one trap (and species) on one date. Identical rows are left out
        with a note unless they are added up.
    unit : {"moths", "moths per night"}
        What the numbers are. A rate times its nights becomes a count: those of a column ``nights``, else the calendar
        nights since ``set``, else since the check before. The product must be within 0.05 of a whole number.

    Returns
    -------
    pandas.DataFrame
        Columns ``trap``, ``set`` (datetime64[ns], NaT where not given), ``check`` (datetime64[ns]), ``count``
        (float, NaN unless counted), ``status`` (``counted``, ``missing``: not checked but standing, ``lost``,
        ``at least``, ``present``), ``effort`` (float), ``row`` (line of the file), and ``species`` where the
        file has it (so ``lure``; and ``sheet`` and ``column`` of a workbook or wide table); sorted by trap and
        check. ``attrs["notes"]`` says what was skipped, filled or added up, ``attrs["left_out"]`` which checks.

    Raises
    ------
    DataError
        With every problem found.
    ModelError
        If `dates`, `blank` or `duplicates` is not one of the accepted words, or a word has two meanings.

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
    rules = path if isinstance(path, CatchFile) else CatchFile("")
    table = _read(path, columns, dates, fill)
    notes: list[str] = []
    frame, problems = _typed(table, dates, blank, hour, words, notes, unit)
    frame, nights, more = interval_starts(frame, table, rules.start, compare=unit != PER_NIGHT)
    problems += more
    if unit == PER_NIGHT:
        frame, more, said = counts_of_rates(frame, table, nights, {p.row for p in more})
        problems, notes = [*problems, *more], [*notes, *said]
    if species is not None:
        frame = _of_species(frame, table, species, problems, notes)
    frame = frame.sort_values(["trap", "check", "row"], kind="stable", ignore_index=True)
    left_out = list(table.left_out)
    if rules.selection is not None:
        frame, gone, more = rules.selection.apply(frame, READ_WITH_THE_TABLE, table.file)
        left_out, problems = [*left_out, *gone], [*problems, *more]
    if duplicates == "sum":
        frame, said = _summed(frame.drop(columns="same"))
    else:
        frame, gone, said = drop_identical(frame)
        left_out += gone
        frame = frame.drop(columns="same")
    notes += said
    if rules.overlaps == "cut":
        frame, said = cut_overlaps(frame)
        notes += said
    notes += lure_changes(frame)
    problems += sequence_problems(frame, file=table.file, names=table.names)
    frame.attrs = {"notes": tuple(notes), "file": table.file, "left_out": tuple(left_out)}
    return frame, sorted(dict.fromkeys(problems), key=lambda p: p.row or 0)


def _summed(frame: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Return the catches with the rows of one trap and date added up, and a note of them."""
    before = frame["count"].sum()
    frame, added = sum_duplicates(frame)
    if not added:
        return frame, []
    lost = int(before - frame["count"].sum())
    unused = f"; {lost} moths are not used, as part of their sum is lost or not checked" if lost else ""
    return frame, [
        f"{len(added)} rows added to another of the same trap and date ({row_text(added)}){unused}."
    ]


def _check_call(dates: str, blank: str, duplicates: str, words: CountWords, unit: str) -> None:
    for name, value, accepted in (
        ("dates", dates, DATE_FORMS),
        ("blank", blank, BLANK_MEANINGS),
        ("duplicates", duplicates, ("refuse", "sum")),
        ("unit", unit, COUNT_UNITS),
    ):
        if value not in accepted:
            raise ModelError(f"{name} = '{value}' is not accepted; write one of {', '.join(accepted)}.")
    unclear = words.contradictions()
    if unclear:
        raise ModelError(f"the word '{unclear[0]}' has two meanings in the count column; give it one.")


def _read(
    path: TableSource, columns: Mapping[str, str | Sequence[str]] | None, dates: str, fill: Sequence[str]
) -> Table:
    """Read the text cells; fill down, and join, the parts of a trap's name; call the check date ``date``."""
    # A column called year may be that of the season; it is read where the dates need it, or it is named.
    yearless = "year" in (columns or {}) or dates in ("day-of-year", "week")
    optional = (*_OPTIONAL, "year") if yearless else _OPTIONAL
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
        table = read_table(
            path,
            columns=given,
            required=("trap", "date", "count", *parts),
            optional=optional,
            header_dates=dates,
        )
    except DataError as fault:
        if "date" in given or not any(_lacks_date(p) for p in fault.problems):
            raise
        try:
            table = read_table(
                path,
                columns={**given, "date": "check"},
                required=("trap", "date", "count", *parts),
                optional=optional,
                header_dates=dates,
            )
        except DataError:
            raise DataError([_totals_hint(p) for p in fault.problems]) from None
    table = fill_down(table, fill, trap_parts=parts)
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
        empty = pd.DataFrame({name: [] for name in (*CATCH_COLUMNS, "same")})
        return empty.astype({"set": "datetime64[ns]", "check": "datetime64[ns]", "trap": str}), [problem]
    remedy = "Write the trap of every row, or ask for filling down."
    problems = table.problems(cells["trap"] == "", "trap", "the row names no trap.", remedy)
    notes += [*table.notes, *two_digit_year_notes(table, [c for c in ("date", "set") if c in cells])]
    year = "year" if "year" in cells else ""
    check, more = parse_dates(table, "date", dates, default_hour=hour, year=year)
    problems += _season_totals(table) or more or date_order_problems(table, "date", dates, check, year)
    if dates == "week":
        notes.append("weeks are read as those of ISO 8601, each check on its Sunday.")
    set_ = np.full(len(cells), np.datetime64("NaT", "ns"))
    if "set" in cells:
        set_, more = parse_dates(table, "set", dates, default_hour=hour, required=False, year=year)
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
            "same": table.same,
        }
    )
    for name in ("species", "lure"):
        if name in cells:
            frame[name] = cells[name].astype(str)
    if table.places is not None:
        frame["sheet"], frame["column"] = table.places.sheets, table.places.headers
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
    problems: list[Problem] = []
    rate = np.zeros(len(cells), dtype=bool)
    rates = np.full(len(cells), np.nan)
    if unit == PER_NIGHT:
        rate, rates, problems = read_rates(table, words)
    codes, texts = pd.factorize(cells["count"])
    values, meanings = np.full(len(texts), np.nan), np.full(len(texts), "counted", dtype=object)
    unreadable: dict[int, UnreadableCount] = {}
    for i, text in enumerate(texts):
        try:
            values[i], meanings[i] = read_count(text, blank=blank, words=words)
        except UnreadableCount as fault:
            unreadable[i] = fault
    count = np.where(rate, rates, values[codes])
    status: list[str] = np.where(rate, "counted", meanings[codes]).tolist()
    bad = np.isin(codes, list(unreadable)) & ~rate
    for i in np.flatnonzero(bad).tolist():
        why = unreadable[int(codes[i])]
        problems.append(table.problem(i, "count", why.finding, why.remedy))
    if "status" in cells:
        stated = (cells["status"] != "").to_numpy() & ~bad
        for i in np.flatnonzero(stated).tolist():
            problem = _apply_status(table, i, str(cells["status"].iloc[i]), words, count, status)
            problems += [] if problem is None else [problem]
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
