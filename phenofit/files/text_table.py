"""A text table that is read but not yet interpreted: its cells, the rows they stand in, and where it comes from."""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import Problem

_SHOWN = 40  # characters of a cell that a message repeats

TableSource = str | os.PathLike[str] | pd.DataFrame
"""A text table: a file (also a :class:`TableFile`), or a DataFrame, which is read as the file that it would be written to."""

ENCODINGS = ("utf-8", "utf-16", "latin-1", "windows-1252")
"""Encodings that may be declared; without one, UTF-8 with or without a mark, or UTF-16 with its mark."""

SHEET, HEADER, BLOCK, COUNT = "<sheet>", "<header>", "<block>", "<count>"
"""Columns that a table has besides those of its file: the name of the sheet, the header of the count column of a wide
table, the text of the row that begins a block, and the count of a wide table itself."""


@dataclass(frozen=True)
class Wide:
    """How a table with several count columns, or with blocks of rows, is laid out.

    Parameters
    ----------
    headers : str
        What the headers of the count columns are: ``"date"`` or another column of ours, or ``"part"`` where
        they are used through ``"<header>"`` only. Empty for a table of one count column in blocks.
    columns : tuple of str
        The count columns by name; ``("dates",)``: every header that is a date. Empty: the dates where headers are
        dates, otherwise every column that is not used by its own name.
    leave_out : tuple of str
        Columns, or rows by their first cell, that are left out.
    blocks : bool
        Whether a row with a text in its first cell only begins a block.
    """

    headers: str = ""
    columns: tuple[str, ...] = ()
    leave_out: tuple[str, ...] = ()
    blocks: bool = False


@dataclass(frozen=True)
class TableFile(os.PathLike[str]):
    """A file that holds a table, and what must be known to read it.

    Parameters
    ----------
    path : path-like
        Delimited text, or a workbook.
    encoding : str
        One of :data:`ENCODINGS`; empty: found by the mark.
    sheets : tuple of str
        Sheets of a workbook, or ``("all",)``; empty: its only one.
    wide : Wide, optional
        How a table with several count columns or with blocks is laid out.
    """

    path: str | os.PathLike[str]
    encoding: str = ""
    sheets: tuple[str, ...] = ()
    wide: Wide | None = None

    def __fspath__(self) -> str:
        """Return the path as text."""
        return os.fspath(self.path)


@dataclass(frozen=True)
class LeftOut:
    """Checks that were left out while reading: why, of which trap and species, how many, their rows and moths."""

    reason: str
    trap: str
    species: str  # Empty where the table has no species, or the column is left out for all.
    rows: int
    lines: str
    moths: int


@dataclass(frozen=True)
class Places:
    """Positions of the rows of a table that has several sheets, several count columns, or blocks."""

    sheets: npt.NDArray[np.object_]
    headers: npt.NDArray[np.object_]  # Header of the count column.
    header_rows: npt.NDArray[np.int64]
    block_rows: npt.NDArray[np.int64]


@dataclass(frozen=True)
class Table:
    """A delimited text table, read but not yet interpreted."""

    # Text cells, blanks trimmed, an empty cell being the empty text; columns under our names.
    frame: pd.DataFrame
    rows: np.ndarray  # Line of the file on which each row begins; the first line of the file is line 1.
    file: str  # Name of the file as the user wrote it.
    names: dict[str, str]  # Our column name to the name in the file, for messages.
    notes: tuple[str, ...] = ()  # What was skipped or repaired while reading, one sentence each.
    delimiter: str = ","  # The character between the cells; empty for a workbook.
    places: Places | None = None
    left_out: tuple[LeftOut, ...] = ()
    same: npt.NDArray[np.int64] | None = (
        None  # Group number of each row; rows with the same cells have the same number.
    )

    def problem(self, index: int, column: str, finding: str, remedy: str) -> Problem:
        """Return a problem of one cell: `index` counts the rows of `frame`, `column` is our name."""
        name, row, sheet = self.names.get(column, column), int(self.rows[index]), ""
        if self.places is None:
            return Problem(finding, remedy, self.file, row, name)
        sheet = str(self.places.sheets[index])
        if name in (HEADER, COUNT):
            row = int(self.places.header_rows[index]) if name == HEADER else row
            return Problem(finding, remedy, self.file, row, str(self.places.headers[index]), sheet)
        if name == BLOCK:
            return Problem(finding, remedy, self.file, int(self.places.block_rows[index]), "", sheet)
        if name == SHEET:
            return Problem(finding, remedy, self.file, None, "", sheet)
        return Problem(finding, remedy, self.file, row, name, sheet)

    def problems(self, rows: np.ndarray | pd.Series, column: str, finding: str, remedy: str) -> list[Problem]:
        """Return a problem of each row that is marked; ``{cell}`` in the finding is its cell."""
        return [
            self.problem(i, column, finding.replace("{cell}", self.cell(i, column)), remedy)
            for i in np.flatnonzero(rows).tolist()
        ]

    def cell(self, index: int, column: str) -> str:
        """Return one cell as text, shortened for a message."""
        return shorten(str(self.frame[column].iloc[index]))


def source_name(source: TableSource) -> str:
    """Return the name of a table as messages give it."""
    if isinstance(source, pd.DataFrame):
        return str(source.attrs.get("name", "DataFrame"))
    return os.fspath(source)


def shorten(text: str) -> str:
    """Return a text fit for a one-line message: without control characters, of limited length."""
    flat = "".join(c if c.isprintable() else " " for c in text)
    return flat if len(flat) <= _SHOWN else flat[: _SHOWN - 1] + "…"
