"""Tables with several count columns or with blocks of rows, as long tables: one row for each count cell."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from phenofit.errors import DataError, plural
from phenofit.files.cell_grids import Grid, Vocabulary, body, row_list, skip_titles
from phenofit.files.text_table import BLOCK, COUNT, HEADER, LeftOut, Wide, shorten

_TOTAL = re.compile(
    r"(?:grand[ -]?|sub[ -]?)?totals?:?|sums?:?|means?:?|averages?:?|all(?: traps)?:?", re.IGNORECASE
)
_WHOLE = re.compile(r"\d{1,8}", re.ASCII)


@dataclass
class Part:
    """Rows below one header: a whole grid, or one block of it."""

    header: list[str]
    header_row: int
    rows: npt.NDArray[np.int64]  # Row number of each row.
    cells: npt.NDArray[np.int32]  # Shape (rows, columns): Numbers of the texts in the vocabulary.
    vocabulary: Vocabulary
    block_row: int = 0
    # Of a wide table: the number of the header of the count column of each row.
    count_headers: npt.NDArray[np.int32] | None = None
    left_out: list[LeftOut] = field(default_factory=list)
    # Names of `leave_out` that are those of a column or row of the part.
    met: set[str] = field(default_factory=set)

    def add_column(self, name: str, text: int) -> None:
        """Add a column with one text in every row."""
        column = np.full((len(self.rows), 1), text, dtype=np.int32)
        self.header, self.cells = [*self.header, name], np.hstack([self.cells, column])


def parts_of(
    grid: Grid,
    wide: Wide | None,
    *,
    needed: int,
    used: Collection[str] = (),
    is_date: Callable[[str], bool] = lambda _: False,
) -> list[Part]:
    """Return the parts of a grid as long tables; `used` are the names of the columns that are read by their name."""
    if wide is None or not wide.blocks:
        if needed > 1:
            skip_titles(grid)
        header = grid.cells(0)
        rows, cells = body(grid, len(header), footnotes=needed > 1)
        found = [Part(header, int(grid.rows[0]), rows, cells, grid.vocabulary)]
    else:
        found = _blocks(grid)
    if wide is None:
        return found
    return [_lengthened(grid, part, wide, {_plain(name) for name in used}, is_date) for part in found]


def _plain(name: str) -> str:
    return " ".join(name.split()).casefold()


def unmet(wide: Wide | None, parts: Collection[Part]) -> list[str]:
    """Return the names that should be left out, but that no column or row has."""
    met = {name for part in parts for name in part.met}
    return [name for name in wide.leave_out if _plain(name) not in met] if wide else []


def is_total(name: str) -> bool:
    """Return whether a header or the first cell of a row says that it holds sums."""
    return _TOTAL.fullmatch(name) is not None


# --- blocks -----------------------------------------------------------------------------------------------


def _blocks(grid: Grid) -> list[Part]:
    """Cut a grid at the rows with a text in their first cell only.

    Where the first row begins a block, every block has its own header; otherwise the first row is the header of all.
    """
    first, filled, after = grid.first, grid.filled(), grid.filled(after=1)
    names = np.unique(first[after > 0])
    begins = (first > 0) & (after == 0) & ~np.isin(first, names)
    records = np.flatnonzero(filled).tolist()
    texts = grid.vocabulary.texts
    own_headers = bool(begins[records[0]])
    found: list[tuple[int, int, list[int]]] = []  # records of the header, of the block's text, of the rows
    header = block = -1
    first_column = ""
    repeated: list[int] = []
    empty: list[str] = []

    def close() -> None:
        if block >= 0 and not (found and found[-1][1] == block):
            empty.append(f"row {grid.rows[block]}: '{shorten(texts[first[block]])}'")

    for at in records:
        row = int(grid.rows[at])
        if begins[at]:
            close()
            block = at
            header = -1 if own_headers else header
        elif header < 0:
            if first_column not in ("", _plain(texts[first[at]])):
                finding = f"row {grid.rows[block]} holds only '{shorten(texts[first[block]])}', but no header follows it."
                remedy = (
                    "A block begins with a row whose first cell only is filled, then its header. "
                    "In a row without counts, write why, such as 'not checked'."
                )
                raise DataError(grid.problem(finding, remedy, row))
            header, first_column = at, _plain(texts[first[at]])
        elif grid.numbers(at) == grid.numbers(header):
            repeated.append(row)
        else:
            if not found or found[-1][1] != block:
                found.append((header, block, []))
            width = int(grid.widths[header])
            if any(grid.numbers(at)[width:]):
                finding = f"the row has {grid.widths[at]} cells, the header has {width}."
                raise DataError(grid.problem(finding, "Give every column a header.", row))
            found[-1][2].append(at)
    close()
    if empty:
        grid.notes.append(f"texts that begin no rows skipped ({'; '.join(empty)}).")
    if repeated:
        grid.notes.append(f"{plural(len(repeated), 'repeated header')} skipped ({row_list(repeated)}).")
    if not found:
        finding = "the table has no block with rows."
        remedy = "A block begins with a row whose first cell only is filled; its rows follow."
        raise DataError(grid.problem(finding, remedy))
    return [_block(grid, *one) for one in found]


def _block(grid: Grid, header: int, block: int, records: list[int]) -> Part:
    """Return one block; rows above the first text have an empty one."""
    at = np.array(records, dtype=np.int64)
    names = grid.cells(header)
    part = Part(names, int(grid.rows[header]), grid.rows[at], grid.table(at, len(names)), grid.vocabulary)
    part.block_row = int(grid.rows[block]) if block >= 0 else 0
    part.add_column(BLOCK, int(grid.first[block]) if block >= 0 else 0)
    return part


# --- several count columns --------------------------------------------------------------------------------


def _lengthened(grid: Grid, part: Part, wide: Wide, used: set[str], is_date: Callable[[str], bool]) -> Part:
    """Return a part with one row for each count cell."""
    if not wide.headers:
        return part
    counts, left = _count_columns(grid, part, wide, used, is_date)
    own = [at for at, name in enumerate(part.header) if at not in counts and at not in left and name]
    keep = _without_totals(part, own, wide)
    totals, rows, cells = part.rows[~keep].tolist(), part.rows[keep], part.cells[keep]
    part.met |= {_plain(part.header[at]) for at in left}
    part.left_out += _left_out_columns(grid, part, keep, left, counts)
    names = np.array([part.vocabulary[part.header[at]] for at in counts], dtype=np.int32)
    out = np.empty((len(rows), len(counts), len(own) + 2), dtype=np.int32)
    out[:, :, :-2] = cells[:, None, own]
    out[:, :, -2] = names
    out[:, :, -1] = cells[:, counts]
    if totals:
        grid.notes.append(f"{plural(len(totals), 'row')} of totals left out ({row_list(totals)}).")
    return replace(
        part,
        header=[*(part.header[at] for at in own), HEADER, COUNT],
        rows=np.repeat(rows, len(counts)),
        cells=out.reshape(-1, len(own) + 2),
        count_headers=np.tile(names, len(rows)),
    )


def _count_columns(
    grid: Grid, part: Part, wide: Wide, used: set[str], is_date: Callable[[str], bool]
) -> tuple[list[int], list[int]]:
    """Return the positions of the count columns, and of those that are left out."""
    keys = [_plain(name) for name in part.header]
    out = {_plain(name) for name in wide.leave_out}
    columns = wide.columns or (("dates",) if wide.headers == "date" else ())
    if columns == ("dates",):
        counts = [at for at, name in enumerate(part.header) if is_date(name) and keys[at] not in out]
        if not counts:
            finding = "no header is a date."
            remedy = f"The headers are {_shown(part.header)}. Correct 'dates', or name the count columns."
            raise DataError(grid.problem(finding, remedy, part.header_row))
    elif columns:
        wanted = {_plain(name): name for name in columns}
        missing = [name for key, name in wanted.items() if key not in keys]
        if missing:
            finding = f"there is no column '{missing[0]}'."
            raise DataError(grid.problem(finding, f"The columns are {_shown(part.header)}.", part.header_row))
        counts = [at for at, key in enumerate(keys) if key in wanted]
    else:
        counts = [
            at
            for at, key in enumerate(keys)
            if key and key not in used and key not in out and key != BLOCK and not is_total(key)
        ]
        if not counts:
            finding = "the table has no column of counts."
            raise DataError(grid.problem(finding, f"The columns are {_shown(part.header)}.", part.header_row))
    inside = set(counts)
    left = [
        at
        for at, key in enumerate(keys)
        if at not in inside and key not in used and (not key or key in out or is_total(key))
    ]
    other = [part.header[at] for at, key in enumerate(keys) if at not in inside and at not in left]
    unread = [name for name in other if _plain(name) not in used and name != BLOCK]
    if unread:
        grid.notes.append(f"columns that are not read: {_shown(unread)}.")
    return counts, left


def _without_totals(part: Part, own: list[int], wide: Wide) -> npt.NDArray[np.bool_]:
    """Return which rows are no sums and not left out by name."""
    out = {_plain(name) for name in wide.leave_out}
    mine = part.cells[:, own]
    first = np.zeros(len(mine), dtype=np.int32)
    if own:
        first = np.take_along_axis(mine, np.argmax(mine != 0, axis=1)[:, None], axis=1)[:, 0]
    totals = []
    for number in np.unique(first).tolist():
        text = part.vocabulary.texts[number]
        if is_total(text) or _plain(text) in out:
            totals.append(number)
            part.met.add(_plain(text))
    return ~np.isin(first, totals)


def _left_out_columns(
    grid: Grid, part: Part, keep: npt.NDArray[np.bool_], left: list[int], counts: list[int]
) -> list[LeftOut]:
    """Name the columns that are left out; a total or a column without a name holds no checks."""
    found = []
    rows, cells = part.rows[keep], part.cells[keep]
    for at in left:
        name = part.header[at]
        filled = cells[:, at] != 0
        number = int(filled.sum())
        shown = f"'{shorten(name)}'" if name else f"{at + 1}, which has no name,"
        if not number and not name:
            continue
        total = is_total(name) or _holds_sums(part.vocabulary, cells[filled], at, counts)
        of_what = " of totals" if total else ""
        grid.notes.append(f"column {shown} left out ({plural(number, 'filled cell')}{of_what}).")
        if number and name and not total:
            moths = int(_whole_numbers(part.vocabulary, cells[:, at]).sum())
            lines = row_list(rows[filled].tolist()).split(" ", 1)[1]
            found.append(LeftOut("column left out", name, "", number, lines, moths))
    return found


def _holds_sums(vocabulary: Vocabulary, filled: npt.NDArray[np.int32], at: int, counts: list[int]) -> bool:
    """Return whether every filled cell of a column is the sum of the counts in its row."""
    sums = _whole_numbers(vocabulary, filled[:, counts]).sum(axis=1)
    said = [vocabulary.texts[number] for number in filled[:, at].tolist()]
    return len(said) > 1 and [str(total) for total in sums.tolist()] == said


def _whole_numbers(vocabulary: Vocabulary, cells: npt.NDArray[np.int32]) -> npt.NDArray[np.int64]:
    """Return the numbers in cells, 0 where a cell is no whole number."""
    numbers, at = np.unique(cells, return_inverse=True)
    texts = [vocabulary.texts[number] for number in numbers.tolist()]
    values = np.array([int(text) if _WHOLE.fullmatch(text) else 0 for text in texts], dtype=np.int64)
    return values[at].reshape(cells.shape)


def _shown(names: Collection[str]) -> str:
    listed = [f"'{shorten(name)}'" for name in names if name]
    return ", ".join(listed[:12]) + (f" and {len(listed) - 12} more" if len(listed) > 12 else "")
