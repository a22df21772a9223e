"""The tables of a folder, read as text; one file may hold several."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from phenofit.errors import DataError, Problem
from phenofit.files.tables import read_table
from phenofit.files.text_table import Table
from phenofit.starting.looking import ColumnLook, look_at

TABLE_ENDINGS = (".csv", ".tsv", ".tab", ".txt", ".xlsx", ".xlsm", ".xls", ".ods")
WEATHER_ENDINGS = (".nc", ".nc4", ".cdf", ".dly")


@dataclass(frozen=True)
class Sheet:
    """One table as text, and what each of its columns looks like."""

    shown: str  # Name of the file as the study file writes it.
    table: Table
    looks: Mapping[str, ColumnLook]

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
            table = _read(path)
        except DataError as fault:
            problems += fault.problems
            aside.append(f"{shown} was left aside, since it cannot be read as a table: {fault.problems[0]}")
            continue
        names = [str(name) for name in table.frame]
        sheets.append(Sheet(shown, table, {name: look_at(table, name) for name in names}))
    if strict and problems:
        raise DataError(problems)
    return sheets, weather, aside


def _read(path: Path) -> Table:
    """Return a file as text cells under the names of its header; the one place that knows the form of files."""
    table = read_table(path, required=(), keep_others=True)
    if len(table.frame.columns) < 2:
        remedy = "Separate the cells by commas, semicolons, tabs or bars."
        raise DataError(
            Problem("there are fewer than two columns with names of their own.", remedy, table.file)
        )
    return table


def shown_from(folder: Path, path: Path) -> str:
    """Return the path of a file as a study file in a folder writes it."""
    absolute = path.resolve()
    try:
        return Path(os.path.relpath(absolute, folder.resolve())).as_posix()
    except ValueError:  # another drive
        return absolute.as_posix()
