"""A text table that is read but not yet interpreted: its cells, the rows they stand in, and where it comes from."""

from __future__ import annotations

import os
from dataclasses import dataclass

import numpy as np
import pandas as pd

from phenofit.errors import Problem

_SHOWN = 40  # characters of a cell that a message repeats

TableSource = str | os.PathLike[str] | pd.DataFrame
"""A text table: a file, or a DataFrame, which is read as the file that it would be written to."""


@dataclass(frozen=True)
class Table:
    """A delimited text table, read but not yet interpreted."""

    # Text cells, blanks trimmed, an empty cell being the empty text; columns under our names.
    frame: pd.DataFrame
    rows: np.ndarray  # Line of the file on which each row begins; the first line of the file is line 1.
    file: str  # Name of the file as the user wrote it.
    names: dict[str, str]  # Our column name to the name in the file, for messages.
    notes: tuple[str, ...] = ()  # What was skipped or repaired while reading, one sentence each.
    delimiter: str = ","  # The character between the cells.

    def problem(self, index: int, column: str, finding: str, remedy: str) -> Problem:
        """Return a problem of one cell: `index` counts the rows of `frame`, `column` is our name."""
        return Problem(finding, remedy, self.file, int(self.rows[index]), self.names.get(column, column))

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
