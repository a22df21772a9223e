"""The tables of a folder, read as text; one file may hold several."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from phenofit.errors import DataError, Problem
from phenofit.files import require_regular
from phenofit.files.cell_grids import read_grids, skip_titles
from phenofit.files.tables import read_table
from phenofit.files.text_table import SHEET, Table, TableFile, shorten
from phenofit.files.workbooks import is_workbook
from phenofit.starting.looking import ColumnLook, look_at
from phenofit.starting.questions import Interview, Question

TABLE_ENDINGS = (".csv", ".tsv", ".tab", ".txt", ".xlsx", ".xlsm", ".xls", ".ods")
ALL_SHEETS = ("all",)
ASSUMED, OTHER = "windows-1252", "latin-1"
"""Encodings that a text may have that is no UTF-8; the first is assumed."""
WEATHER_ENDINGS = (".nc", ".nc4", ".cdf", ".dly")


@dataclass(frozen=True)
class Sheet:
    """One table as text, and what each of its columns looks like."""

    file: str  # Name of the file as the study file writes it.
    table: Table
    looks: Mapping[str, ColumnLook]
    encoding: str = ""  # Assumed where the file is no UTF-8.
    sheets: tuple[str, ...] = ()  # Sheets of a workbook that has several; ("all",): every filled one.

    @property
    def shown(self) -> str:
        """Name for messages and questions."""
        chosen = self.sheets if self.sheets != ALL_SHEETS else ()
        return self.file + (f" [{', '.join(chosen)}]" if chosen else "")

    def described(self) -> str:
        """Return the size and the first columns, in words."""
        names = list(self.looks)
        more = " …" if len(names) > 6 else ""
        return f"{len(self.table.rows)} rows: {', '.join(names[:6])}{more}"


def find_files(folder: Path) -> list[Path]:
    """Return the files of a folder that may be tables or weather, in the order of their names."""
    endings = (*TABLE_ENDINGS, *WEATHER_ENDINGS)
    return sorted(
        path
        for path in folder.iterdir()
        if path.suffix.lower() in endings and not path.name.startswith(".") and path.is_file()
    )


def read_sheets(
    files: Iterable[Path], folder: Path, *, strict: bool
) -> tuple[list[Sheet], list[str], list[str]]:
    """Return the tables, the names of files of gridded or archived weather, and what was not read.

    Parameters
    ----------
    files : iterable of Path
        The files.
    folder : Path
        Folder of the study file; names are relative to it.
    strict : bool
        Whether a file that is no table is refused, or only named.

    Returns
    -------
    sheets : list of Sheet
        Each table.
    weather : list of str
        Files that need not be read to be known as weather.
    aside : list of str
        One sentence for each file that is no table.

    Raises
    ------
    DataError
        With all problems of all files, if `strict`.
    """
    sheets: list[Sheet] = []
    weather: list[str] = []
    aside: list[str] = []
    problems: list[Problem] = []
    for path in files:
        shown = shown_from(folder, path)
        if path.suffix.lower() in WEATHER_ENDINGS:
            weather.append(shown)
            continue
        try:
            encoding = _encoding(path)
            tables = _tables(path, encoding)
        except DataError as fault:
            problems += fault.problems
            aside.append(f"{shown} was left aside, since it cannot be read as a table: {fault.problems[0]}")
            continue
        for chosen, table in tables:
            looks = {str(name): look_at(table, str(name)) for name in table.frame}
            sheets.append(Sheet(shown, table, looks, encoding, chosen))
    if strict and problems:
        raise DataError(problems)
    return sheets, weather, aside


def _encoding(path: Path) -> str:
    """Return the encoding that is assumed for a text that is no UTF-8; empty otherwise."""
    raw = require_regular(path).read_bytes()
    if is_workbook(raw[:4]) or raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return ""
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        return ASSUMED
    return ""


def _tables(path: Path, encoding: str) -> list[tuple[tuple[str, ...], Table]]:
    """Return the tables of a file with their sheets; sheets with the same header are one table."""
    with require_regular(path).open("rb") as stream:
        book = is_workbook(stream.read(4))
    groups: dict[tuple[str, ...], list[str]] = {}
    for grid in read_grids(TableFile(path, encoding, ALL_SHEETS if book else ())):
        skip_titles(grid)
        groups.setdefault(tuple(grid.cells(0)), []).append(grid.sheet)
    count = sum(map(len, groups.values()))
    tables = []
    for header, sheets in groups.items():
        chosen = () if count == 1 else ALL_SHEETS if len(groups) == 1 else tuple(sheets)
        table = _read(TableFile(path, encoding, chosen), header)
        if len(sheets) > 1 and table.places is not None:
            table = replace(table, frame=table.frame.assign(**{SHEET: table.places.sheets.astype(str)}))
        tables.append((chosen, table))
    return tables


def _read(source: TableFile, header: Sequence[str]) -> Table:
    """Return a table as text cells under the names of its header."""
    own = [name for name in header if name and header.count(name) == 1]
    if len(own) < 2:
        finding = "there are fewer than two columns with names of their own."
        remedy = "Separate the cells by commas, semicolons, tabs or bars."
        raise DataError(Problem(finding, remedy, os.fspath(source)))
    # Two required columns let the reader know titles above the table and footnotes below it.
    return read_table(source, required=own[:2], keep_others=True)


def settle_encoding(interview: Interview, section: str, sheet: Sheet) -> str | None:
    """Return the encoding of a table, empty for UTF-8; stated where both other encodings give the same text. None while it is asked."""
    if not sheet.encoding:
        return ""
    texts = [*sheet.looks, *(text for look in sheet.looks.values() for text in look.distinct)]
    marked = [text for text in texts if not text.isascii()]
    reads = {text: text.encode(ASSUMED).decode(OTHER) for text in marked}
    changed = [text for text in marked if reads[text] != text]
    first = next(iter(changed or marked), "")  # none where they stand in a title only
    choices = {ASSUMED: f"'{shorten(first)}'", OTHER: f"'{shorten(reads.get(first, first))}'"}
    text = f"In which encoding is {sheet.shown} written?"
    question = Question(
        f"{section}.encoding", text, (f"It is no UTF-8; {len(marked)} cells differ.",), choices
    )
    if changed:
        return interview.ask(question)
    because = f"{sheet.shown}: it is no UTF-8, and holds such texts as '{shorten(first)}'"
    return interview.settle(question, ASSUMED, because)


def shown_from(folder: Path, path: Path) -> str:
    """Return the path of a file as a study file in a folder writes it."""
    absolute = path.resolve()
    try:
        return Path(os.path.relpath(absolute, folder.resolve())).as_posix()
    except ValueError:  # another drive
        return absolute.as_posix()
