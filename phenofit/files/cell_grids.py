"""Files as grids of text cells with their row numbers: a delimited text is one grid, a workbook one per sheet."""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from array import array
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import chain, islice
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import DataError, Problem, plural
from phenofit.files.old_workbooks import is_old_workbook, read_old_workbook
from phenofit.files.safe_files import require_regular
from phenofit.files.text_table import ENCODINGS, TableFile, TableSource, shorten, source_name
from phenofit.files.workbooks import Sheet, is_workbook, read_workbook

_DELIMITERS = (",", ";", "\t", "|")
_DELIMITER_NAMES = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", "": "cell border"}
_AT_ONCE = 10_000  # records that are taken from a file together
_INVISIBLE = dict.fromkeys(map(ord, "\ufeff\u200b\u200c\u200d\u2060"))


class Vocabulary(dict[str, int]):
    """The distinct texts of a file by number, 0 being the empty one: long tables repeat their texts.

    Each distinct text is tidied and kept once; a cell refers to it by its number.
    """

    def __init__(self) -> None:
        super().__init__({"": 0})
        self.texts = [""]

    def __missing__(self, cell: str) -> int:
        """Give a new text its number."""
        text = tidy(cell)
        if text == cell:
            number = len(self.texts)
            self.texts.append(text)
        else:
            number = self[text]
        self[cell] = number
        return number

    def array(self) -> npt.NDArray[np.object_]:
        """Return the texts, to be taken by their numbers."""
        return np.array(self.texts, dtype=object)


@dataclass
class Grid:
    """Cells of one text file or one sheet, from the first filled row on, as numbers of their texts."""

    rows: npt.NDArray[np.int64]  # Row number of each record, counted from 1.
    begins: npt.NDArray[np.int64]  # Where the cells of each record begin; one more, where the last ends.
    codes: npt.NDArray[np.int32]  # Cells of all records.
    vocabulary: Vocabulary
    file: str
    delimiter: str  # Empty for a workbook.
    sheet: str = ""
    notes: list[str] = field(default_factory=list)

    @classmethod
    def of(cls, records: Iterable[tuple[int, Sequence[str]]], vocabulary: Vocabulary, file: str) -> Grid:
        """Return the grid of records: row number, and the cells as they are written."""
        codes, rows, widths = array("i"), array("q"), array("q", [0])
        records = iter(records)
        while some := list(islice(records, _AT_ONCE)):
            rows.extend(row for row, _ in some)
            widths.extend(len(cells) for _, cells in some)
            codes.extend(map(vocabulary.__getitem__, chain.from_iterable(cells for _, cells in some)))
        return cls(
            np.array(rows, dtype=np.int64),
            np.cumsum(widths, dtype=np.int64),
            np.array(codes, dtype=np.int32),
            vocabulary,
            file,
            "",
        )

    def __len__(self) -> int:
        """Return the number of records."""
        return len(self.rows)

    @property
    def widths(self) -> npt.NDArray[np.int64]:
        """Number of cells of each record."""
        return np.diff(self.begins)

    @property
    def first(self) -> npt.NDArray[np.int32]:
        """Number of the text in the first cell of each record."""
        at = np.minimum(self.begins[:-1], len(self.codes) - 1)
        return np.where(self.widths > 0, self.codes[at], 0).astype(np.int32)

    def filled(self, after: int = 0) -> npt.NDArray[np.int64]:
        """Return how many cells of each record are not blank; the first `after` cells are not counted."""
        running = np.concatenate([[0], np.cumsum(self.codes != 0)])
        begins, ends = self.begins[:-1], self.begins[1:]
        return np.asarray(running[ends] - running[np.minimum(begins + after, ends)], dtype=np.int64)

    def numbers(self, record: int) -> list[int]:
        """Return the numbers of the texts of one record."""
        found: list[int] = self.codes[self.begins[record] : self.begins[record + 1]].tolist()
        return found

    def cells(self, record: int) -> list[str]:
        """Return the texts of one record."""
        return [self.vocabulary.texts[number] for number in self.numbers(record)]

    def table(self, records: npt.NDArray[np.int64], width: int) -> npt.NDArray[np.int32]:
        """Return the first cells of records, filled up with blank ones."""
        at = self.begins[records][:, None] + np.arange(width)
        inside = at < self.begins[records + 1][:, None]
        return np.where(inside, self.codes[np.minimum(at, len(self.codes) - 1)], 0).astype(np.int32)

    def skip(self, records: int) -> None:
        """Leave out the first records."""
        self.rows, self.begins = self.rows[records:], self.begins[records:]

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


def row_list(rows: Sequence[int], shown: int = 8) -> str:
    """Return row numbers as short text."""
    head = ", ".join(str(r) for r in rows[:shown])
    more = f" and {len(rows) - shown} more" if len(rows) > shown else ""
    return f"{'row' if len(rows) == 1 else 'rows'} {head}{more}"


def skip_titles(grid: Grid) -> None:
    """Leave out the rows above the header that hold a text in their first cell only."""
    titles = []
    while len(grid) > 1 and _is_title(grid) and (grid.filled(after=1) > 0).any():
        titles.append(f"row {grid.rows[0]}: '{shorten(grid.cells(0)[0])}'")
        grid.skip(1)
        _skip_blank(grid)
    if titles:
        grid.notes.append(f"{plural(len(titles), 'title')} above the table skipped ({'; '.join(titles)}).")


def _skip_blank(grid: Grid) -> None:
    """Leave out the blank records above the first filled one."""
    filled = grid.filled() > 0
    grid.skip(int(np.argmax(filled)) if filled.any() else len(grid))


def _is_title(grid: Grid) -> bool:
    numbers = grid.numbers(0)
    if not numbers[0] or any(numbers[1:]):
        return False
    cell, width = grid.vocabulary.texts[numbers[0]], int(grid.widths[1:].max())
    # A cell with another delimiter between its parts is the header, not a title.
    return not any(cell.count(sign) + 1 == width for sign in _DELIMITERS)


def body(grid: Grid, width: int, *, footnotes: bool) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int32]]:
    """Return the row numbers and cells of the records below the header that carry data; the notes name the others."""
    filled, first, widths = grid.filled(), grid.first, grid.widths
    below_header = np.arange(1, len(grid))
    blank = grid.rows[below_header[filled[1:] == 0]].tolist()
    data = below_header[filled[1:] > 0]
    first_only = (first > 0) & (filled == 1)
    last = len(data)
    if footnotes and last and first_only[data[-1]]:
        firsts = set(first[data[:-1]].tolist())
        while last and first_only[data[last - 1]]:
            if int(first[data[last - 1]]) in firsts and widths[data[last - 1]] > 1:
                break
            last -= 1
    if not last and len(data) > 1:  # rows with another delimiter than the header
        last = len(data)
    below = [f"row {grid.rows[i]}: '{shorten(grid.cells(i)[0])}'" for i in data[last:].tolist()]
    data = data[:last]
    faulty = data[(grid.filled(after=width)[data] > 0) | (widths[data] < width)].tolist()
    if faulty:
        between = _DELIMITER_NAMES[grid.delimiter]
        decimal = " A decimal comma needs a semicolon or tab between the cells."
        comma = decimal if grid.delimiter == "," else ""
        remedy = f"Every row must have as many cells as the header ({between} between them).{comma}"
        raise DataError(
            [
                grid.problem(
                    f"the row has {widths[i]} cells, the header has {width}.", remedy, int(grid.rows[i])
                )
                for i in faulty
            ]
        )
    if blank:
        grid.notes.append(f"{plural(len(blank), 'blank row')} skipped ({row_list(blank)}).")
    if below:
        grid.notes.append(f"{plural(len(below), 'footnote')} below the table skipped ({'; '.join(below)}).")
    return grid.rows[data], grid.table(data, width)


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


def _text_grid(text: str, file: str) -> Grid:
    """Return every record from the header on."""
    # Line ends go to the parser unchanged, so that a cell quoted over two lines stays one cell.
    stream = io.StringIO(text, newline="")
    above = start = 0
    for line in stream:
        if line.strip() and not line.startswith("#"):
            break
        above, start = above + 1, start + len(line)
    else:
        raise DataError(Problem("the file is empty.", "The first line must name the columns.", file))
    stream.seek(start)
    delimiter = _delimiter(list(islice(stream, 20)))
    stream.seek(start)
    reader = csv.reader(stream, delimiter=delimiter, strict=True)
    row = above + 1

    def records() -> Iterable[tuple[int, list[str]]]:
        nonlocal row
        for cells in reader:
            yield row, cells
            row = above + 1 + reader.line_num

    try:
        grid = Grid.of(records(), Vocabulary(), file)
    except csv.Error as fault:
        finding = f"the row cannot be split into cells ({fault})."
        raise DataError(Problem(finding, "Look for a stray quotation mark.", file, row)) from None
    grid.delimiter = delimiter
    return grid


def _delimiter(lines: Sequence[str]) -> str:
    """Return the delimiter found in most of the first lines; among equals, the most frequent one in the first line.

    A title above the header may have none, or a comma of its own.
    """
    plain = [re.sub(r'"[^"]*"', "", line) for line in lines]
    return max(_DELIMITERS, key=lambda mark: (sum(mark in line for line in plain), plain[0].count(mark)))


def _sheet_grids(sheets: Sequence[Sheet], file: str) -> list[Grid]:
    grids = []
    vocabulary = Vocabulary()
    for sheet in sheets:
        grid = Grid.of(enumerate(sheet.cells, start=1), vocabulary, file)
        grid.sheet, grid.notes = sheet.name, list(sheet.notes)
        _skip_blank(grid)
        if not len(grid):
            finding, remedy = "the sheet is empty.", "Leave it out of 'sheets'."
            raise DataError(Problem(finding, remedy, file, sheet=sheet.name))
        grids.append(grid)
    return grids
