"""Read delimited text and workbooks as tables without guessing and without losing a line.

Cells stay text until the caller says what they are. Every row that is left out (blank, a footnote below the
table) is counted and named in the notes; everything that cannot be read is named with its row, not coerced.
"""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Collection, Mapping, Sequence
from functools import partial

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import DataError, Problem, plural
from phenofit.files.cell_grids import Grid, read_grids, tidy
from phenofit.files.dates import looks_like_date
from phenofit.files.text_table import (
    BLOCK,
    COUNT,
    HEADER,
    SHEET,
    LeftOut,
    Places,
    Table,
    TableFile,
    TableSource,
    Wide,
    shorten,
    source_name,
)
from phenofit.files.wide import Part, parts_of, unmet


def read_table(
    path: TableSource,
    *,
    columns: Mapping[str, str] | None = None,
    required: Sequence[str],
    optional: Sequence[str] = (),
    keep_others: bool = False,
    header_dates: str = "",
) -> Table:
    """Read a table by its header; `header_dates` is the form of the dates in the headers of a wide table."""
    wide = path.wide if isinstance(path, TableFile) else None
    asked = _asked(source_name(path), dict(columns or {}), wide, [*required, *optional])
    used = [asked.get(ours, ours) for ours in {*required, *optional, *asked}]
    is_date = partial(looks_like_date, form=header_dates)
    grids = read_grids(path)
    frames: list[pd.DataFrame] = []
    parts: list[tuple[str, Part]] = []
    names: dict[str, str] = {}
    left_out: list[LeftOut] = []
    for grid in grids:
        for part in parts_of(grid, wide, needed=len(required), used=used, is_date=is_date):
            if SHEET in asked.values():
                _add_sheet(grid, part)
            found, positions = _match_header(part, grid, asked, required, optional, keep_others)
            names = {**found, **names}
            frames.append(_frame(part, positions))
            parts.append((grid.sheet, part))
            left_out += part.left_out
            _note_nameless(grid, part)
    unknown = unmet(wide, [part for _, part in parts])
    if unknown:
        finding = f"'{unknown[0]}' in leave_out is no column, and no row begins with it."
        raise DataError(grids[0].problem(finding, "Correct its name, or remove it."))
    frame = frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True).fillna("")
    return Table(
        frame,
        np.concatenate([part.rows for _, part in parts]),
        grids[0].file,
        names,
        tuple(note if len(grids) == 1 else f"sheet '{g.sheet}': {note}" for g in grids for note in g.notes),
        grids[0].delimiter,
        _places(parts) if len(parts) > 1 or wide or grids[0].sheet else None,
        tuple(left_out),
        _same_rows([part.cells for _, part in parts]),
    )


def nearest(name: str, known: Collection[str]) -> str:
    """Return " Did you mean '…'?" for the closest known name, or the empty text."""
    close = difflib.get_close_matches(name, sorted(known), n=1)
    return f" Did you mean '{close[0]}'?" if close else ""


def _asked(file: str, columns: dict[str, str], wide: Wide | None, known: Sequence[str]) -> dict[str, str]:
    """Return the column settings, with those that follow from the shape of the table."""
    theirs = set(columns.values())
    if wide is None or not wide.headers:
        problem = HEADER in theirs and "no header of a count column is used: the table is not wide."
    elif "count" in columns:
        problem = "a column 'count' is named, but the counts stand below the headers of the wide table."
    else:
        columns = {**columns, "count": COUNT}
        if HEADER not in theirs and wide.headers != "part":
            if wide.headers in columns or wide.headers not in known:
                problem = f"the headers of the wide table are '{wide.headers}', which is named in the column settings or not known."
            else:
                columns, problem = {**columns, wide.headers: HEADER}, False
        else:
            problem = HEADER not in theirs and "headers = \"part\" needs a column that uses '<header>'."
    blocks = wide is not None and wide.blocks
    if not problem and blocks != (BLOCK in theirs):
        problem = (
            "the texts of the blocks are not used."
            if blocks
            else "'<block>' is used, but blocks are not declared."
        )
    if problem:
        remedy = 'The column settings say it, such as trap = ["Plot", "<header>"] or year = "<block>".'
        raise DataError(Problem(problem, remedy, file))
    return columns


def _add_sheet(grid: Grid, part: Part) -> None:
    if not grid.sheet:
        finding = "'<sheet>' is used, but the file has no sheets."
        raise DataError(grid.problem(finding, "Name a column of the file."))
    part.add_column(SHEET, part.vocabulary[grid.sheet])


def _frame(part: Part, positions: Mapping[str, int]) -> pd.DataFrame:
    texts = part.vocabulary.array()
    return pd.DataFrame(
        {ours: pd.Series(texts[part.cells[:, at]], dtype="str") for ours, at in positions.items()}
    )


def _same_rows(parts: Sequence[npt.NDArray[np.int32]]) -> npt.NDArray[np.int64]:
    """Return a group number for each row; rows with the same cells have the same number."""
    same = np.zeros(sum(map(len, parts)), dtype=np.int64)
    for at in range(max(cells.shape[1] for cells in parts)):
        column = np.concatenate(
            [cells[:, at] if at < cells.shape[1] else np.full(len(cells), -1) for cells in parts]
        )
        same = pd.factorize(same * (int(column.max(initial=0)) + 2) + column + 1)[0]
    return same


def _places(parts: Sequence[tuple[str, Part]]) -> Places:
    def spread(values: Sequence[object], kind: type) -> np.ndarray:
        sizes = [len(part.rows) for _, part in parts]
        return np.repeat(np.array(values, dtype=kind), sizes)

    headers = [
        part.vocabulary.array()[
            np.zeros(len(part.rows), int) if part.count_headers is None else part.count_headers
        ]
        for _, part in parts
    ]
    return Places(
        spread([sheet for sheet, _ in parts], object),
        np.concatenate(headers),
        spread([part.header_row for _, part in parts], np.int64),
        spread([part.block_row for _, part in parts], np.int64),
    )


def _note_nameless(grid: Grid, part: Part) -> None:
    for at, name in enumerate(part.header):
        filled = 0 if name else int(np.count_nonzero(part.cells[:, at]))
        if filled:
            grid.notes.append(
                f"column {at + 1} has no name; its {plural(filled, 'filled cell')} are not read."
            )


def _key(name: str) -> str:
    return " ".join(tidy(unicodedata.normalize("NFKC", name)).split()).casefold()


def _match_header(
    part: Part,
    grid: Grid,
    columns: dict[str, str],
    required: Sequence[str],
    optional: Sequence[str],
    keep_others: bool,
) -> tuple[dict[str, str], dict[str, int]]:
    """Return our name → theirs and our name → position."""
    header, row = part.header, part.header_row
    found: dict[str, list[int]] = {}
    for at, name in enumerate(header):
        found.setdefault(_key(name), []).append(at)
    shown = [repr(shorten(h)) for h in header if not h.startswith("<")]
    seen = f"The columns seen are: {', '.join(shown)}."
    problems: list[Problem] = []
    names: dict[str, str] = {}
    positions: dict[str, int] = {}
    ours_known = [*required, *optional]
    for ours in columns:
        if ours not in ours_known and not keep_others:
            remedy = f"Accepted are {', '.join(ours_known)}.{nearest(ours, ours_known)}"
            problems.append(grid.problem(f"the column setting '{ours}' is not known.", remedy))
    for ours in [*ours_known, *(c for c in columns if keep_others and c not in ours_known)]:
        theirs = columns.get(ours, ours)
        hits = found.get(_key(theirs), [])
        if len(hits) > 1:
            problems.append(grid.problem("the column is a duplicate.", "Rename one of them.", row, theirs))
        elif hits:
            names[ours], positions[ours] = header[hits[0]], hits[0]
        elif ours in required or ours in columns:
            hint = (
                ""
                if grid.delimiter != "," or len(header) > 1
                else " No comma, semicolon, tab or bar was found."
            )
            finding = f"there is no column '{theirs}'" + (f" (for '{ours}')." if theirs != ours else ".")
            remedy = f'{seen}{hint} Name the right one in the column settings ({ours} = "...").'
            problems.append(grid.problem(finding, remedy, row))
    if keep_others:
        taken = set(positions.values())
        for at, name in enumerate(header):
            if (
                at not in taken
                and name
                and not name.startswith("<")
                and name not in positions
                and len(found[_key(name)]) == 1
            ):
                names[name], positions[name] = name, at
    if problems:
        raise DataError(problems)
    return names, positions
