"""Files as grids of text cells with their row numbers: a delimited text is one grid, a workbook one per sheet."""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from phenofit.errors import DataError, Problem
from phenofit.files.old_workbooks import is_old_workbook, read_old_workbook
from phenofit.files.safe_files import require_regular
from phenofit.files.text_table import ENCODINGS, TableFile, TableSource, shorten, source_name
from phenofit.files.workbooks import Sheet, is_workbook, read_workbook

_DELIMITERS = (",", ";", "\t", "|")
_DELIMITER_NAMES = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", "": "cell border"}
_INVISIBLE = dict.fromkeys(map(ord, "\ufeff\u200b\u200c\u200d\u2060"))

Record = tuple[int, list[str]]
"""Row number, counted from 1, and the cells of the row."""


@dataclass
class Grid:
    """Cells of one text file or one sheet, from the first filled row on."""

    records: list[Record]
    file: str
    delimiter: str  # Empty for a workbook.
    sheet: str = ""
    notes: list[str] = field(default_factory=list)

    def problem(self, finding: str, remedy: str, row: int | None = None, column: str = "") -> Problem:
        """Return a problem of this grid."""
        return Problem(finding, remedy, self.file, row, column, self.sheet)


def read_grids(source: TableSource) -> list[Grid]:
    """Read every grid of a source, at least one, each with at least one row."""
    file = source_name(source)
    if isinstance(source, pd.DataFrame):
        return [_text_grid(source.to_csv(index=False), file)]
    how = source if isinstance(source, TableFile) else TableFile(source)
    path = Path(how)
    require_regular(file, remedy="Check the name and the folder.")
    try:
        with path.open("rb") as stream:
            head = stream.read(4)
            book = is_workbook(head) or is_old_workbook(head)
            raw = b"" if book else head + stream.read()
    except OSError as fault:
        reason = fault.strerror or type(fault).__name__
        raise DataError(Problem(f"the file cannot be read: {reason}.", "", file)) from None
    if book:
        if how.encoding:
            raise DataError(Problem("'encoding' has no effect on a workbook.", "Leave it out.", file))
        reader = read_workbook if is_workbook(head) else read_old_workbook
        return _sheet_grids(reader(path, file, how.sheets), file)
    if how.sheets:
        finding = "the file is delimited text, which has no sheets."
        raise DataError(Problem(finding, "Leave 'sheet' and 'sheets' out.", file))
    return [_text_grid(_decode(raw, file, how.encoding), file)]


def tidy(cell: str) -> str:
    """Return a cell without blanks at its ends and without invisible characters."""
    if cell.isascii():
        return cell.strip()
    # An accent may be written as one character or as two; to the eye, and here, the names are the same.
    return unicodedata.normalize("NFC", cell.translate(_INVISIBLE)).strip()


def plural(n: int, what: str) -> str:
    """Return a number with its noun."""
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def row_list(rows: Sequence[int], shown: int = 8) -> str:
    """Return row numbers as short text."""
    head = ", ".join(str(r) for r in rows[:shown])
    more = f" and {len(rows) - shown} more" if len(rows) > shown else ""
    return f"{'row' if len(rows) == 1 else 'rows'} {head}{more}"


def skip_titles(grid: Grid) -> None:
    """Leave out the rows above the header that hold a text in their first cell only."""
    titles = []
    while len(grid.records) > 1 and _is_title(grid.records) and any(any(c[1:]) for _, c in grid.records):
        row, cells = grid.records.pop(0)
        titles.append(f"row {row}: '{shorten(cells[0])}'")
        while not any(grid.records[0][1]):
            grid.records.pop(0)
    if titles:
        grid.notes.append(f"{plural(len(titles), 'title')} above the table skipped ({'; '.join(titles)}).")


def _is_title(records: Sequence[Record]) -> bool:
    cells = records[0][1]
    width = max(len(others) for _, others in records[1:])
    # With other signs between its names, it is the header.
    header = any(cells[0].count(sign) + 1 == width for sign in _DELIMITERS)
    return _first_only(records[0]) and not header


def _first_only(record: Record) -> bool:
    return bool(record[1][0]) and not any(record[1][1:])


def body(grid: Grid, records: list[Record], width: int, *, footnotes: bool) -> list[Record]:
    """Return the rows that carry data, each `width` cells wide; the notes of the grid tell of the others."""
    blank = [row for row, cells in records if not any(cells)]
    filled = [record for record in records if any(record[1])] if blank else records
    rows = list(filled)
    below: list[tuple[int, str]] = []
    firsts = {cells[0] for _, cells in rows[:-1]}
    while rows and footnotes and _first_only(rows[-1]):
        row, cells = rows[-1]
        if cells[0] in firsts and len(cells) > 1:
            break
        below.insert(0, (row, shorten(cells[0])))
        rows.pop()
    if not rows and len(below) > 1:  # rows with another delimiter than the header
        rows, below = filled, []
    problems = []
    for row, cells in rows:
        if any(cells[width:]) or len(cells) < width:
            comma = (
                " A decimal comma needs a semicolon or tab between the cells."
                if grid.delimiter == ","
                else ""
            )
            finding = f"the row has {len(cells)} cells, the header has {width}."
            between = _DELIMITER_NAMES[grid.delimiter]
            remedy = f"Every row must have as many cells as the header ({between} between them).{comma}"
            problems.append(grid.problem(finding, remedy, row))
        del cells[width:]
    if problems:
        raise DataError(problems)
    if blank:
        grid.notes.append(f"{plural(len(blank), 'blank row')} skipped ({row_list(blank)}).")
    if below:
        which = "; ".join(f"row {row}: '{text}'" for row, text in below)
        grid.notes.append(f"{plural(len(below), 'footnote')} below the table skipped ({which}).")
    return rows


# --- delimited text ---------------------------------------------------------------------------------------


def _decode(raw: bytes, file: str, encoding: str) -> str:
    if encoding not in ("", *ENCODINGS):
        remedy = f"Accepted are {', '.join(ENCODINGS)}."
        raise DataError(Problem(f"the encoding '{encoding}' is not known.", remedy, file))
    marked = "utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    chosen = {"": marked, "utf-8": "utf-8-sig"}.get(encoding, encoding)
    try:
        text = raw.decode(chosen)
    except UnicodeDecodeError as fault:
        row = raw.count(b"\n", 0, fault.start) + 1
        name = "UTF-8" if chosen == "utf-8-sig" else chosen
        remedy = 'Save the file as UTF-8, or declare its encoding, such as encoding = "windows-1252".'
        raise DataError(
            Problem(f"byte {raw[fault.start]:#04x} is not {name} text.", remedy, file, row)
        ) from None
    if "\0" in text:
        row = text.count("\n", 0, text.index("\0")) + 1
        raise DataError(Problem("a NUL byte: this is no text table.", "Save the table as CSV.", file, row))
    return text


class _Tidied(dict[str, str]):
    """Tidied cells by the raw cell: long tables repeat their texts, which are so processed and kept once."""

    def __missing__(self, cell: str) -> str:
        self[cell] = kept = tidy(cell)
        return kept


def _text_grid(text: str, file: str) -> Grid:
    """Return (line, cells) of every record from the header on, and the delimiter."""
    lines = text.splitlines(keepends=True) if "\r" in text else text.split("\n")
    at = next((i for i, line in enumerate(lines) if line.strip() and not line.startswith("#")), None)
    if at is None:
        raise DataError(Problem("the file is empty.", "The first line must name the columns.", file))
    delimiter = _delimiter(lines[at : at + 20])
    # Line ends go to the parser unchanged, so that a cell quoted over two lines stays one cell.
    start = sum(len(line) + (0 if "\r" in text else 1) for line in lines[:at])
    reader = csv.reader(io.StringIO(text[start:], newline=""), delimiter=delimiter, strict=True)
    records: list[Record] = []
    tidied = _Tidied()
    line = at + 1
    try:
        for cells in reader:
            records.append((line, [tidied[cell] for cell in cells]))
            line = at + 1 + reader.line_num
    except csv.Error as fault:
        finding = f"the row cannot be split into cells ({fault})."
        raise DataError(Problem(finding, "Look for a stray quotation mark.", file, line)) from None
    return Grid(records, file, delimiter)


def _delimiter(lines: Sequence[str]) -> str:
    """Return the delimiter that most of the first lines have, of several that of which the first line has most.

    A title above the header may have none, or a comma of its own.
    """
    plain = [re.sub(r'"[^"]*"', "", line) for line in lines]
    return max(_DELIMITERS, key=lambda mark: (sum(mark in line for line in plain), plain[0].count(mark)))


def _sheet_grids(sheets: Sequence[Sheet], file: str) -> list[Grid]:
    grids = []
    for sheet in sheets:
        records = [(row, [tidy(cell) for cell in cells]) for row, cells in enumerate(sheet.cells, start=1)]
        while records and not any(records[0][1]):
            records.pop(0)
        if not records:
            finding, remedy = "the sheet is empty.", "Leave it out of 'sheets'."
            raise DataError(Problem(finding, remedy, file, sheet=sheet.name))
        grids.append(Grid(records, file, "", sheet.name, list(sheet.notes)))
    return grids
