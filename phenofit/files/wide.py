"""Tables with several count columns or with blocks of rows, as long tables: one row for each count cell."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection
from dataclasses import dataclass, field

from phenofit.errors import DataError
from phenofit.files.cell_grids import Grid, Record, body, plural, row_list, skip_titles
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
    rows: list[Record]
    block_row: int = 0
    # Of a wide table: the header of the count column of each row.
    count_headers: list[str] | None = None
    left_out: list[LeftOut] = field(default_factory=list)
    # Names of `leave_out` that a column or row of the part bears.
    met: set[str] = field(default_factory=set)


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
        row, header = grid.records[0]
        found = [Part(header, row, grid.records[1:])]
    else:
        found = _blocks(grid)
    for part in found:
        only_one = needed > 1 and not (wide and wide.blocks)
        part.rows = body(grid, part.rows, len(part.header), footnotes=only_one)
    if wide is None:
        return found
    return [_lengthened(grid, part, wide, {_plain(name) for name in used}, is_date) for part in found]


def _plain(name: str) -> str:
    return " ".join(name.split()).casefold()


def unmet(wide: Wide | None, parts: Collection[Part]) -> list[str]:
    """Return the names that should be left out, but that no column or row bears."""
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
    records = [record for record in grid.records if any(record[1])]
    names = {cells[0] for _, cells in records if any(cells[1:])}
    begins = [bool(c[0]) and not any(c[1:]) and c[0] not in names for _, c in records]
    own_headers = begins[0]
    found: list[Part] = []
    header: Record | None = None
    repeated: list[int] = []
    text, block_row, first_column = "", 0, ""
    empty: list[str] = []
    for (row, cells), begin in zip(records, begins, strict=True):
        if begin:
            if block_row and not (found and found[-1].block_row == block_row):
                empty.append(f"row {block_row}: '{shorten(text)}'")
            text, block_row = cells[0], row
            header = None if own_headers else header
        elif header is None:
            if first_column not in ("", _plain(cells[0])):
                finding = f"row {block_row} holds only '{shorten(text)}', but no header follows it."
                remedy = (
                    "A block begins with a row whose first cell only is filled, then its header. "
                    "In a row without counts, write why, such as 'not checked'."
                )
                raise DataError(grid.problem(finding, remedy, row))
            header, first_column = (row, cells), _plain(cells[0])
        elif cells == header[1]:
            repeated.append(row)
        else:
            if not found or found[-1].block_row != block_row:
                found.append(Part([*header[1], BLOCK], header[0], [], block_row))
            width = len(header[1])
            padded = [*cells, *[""] * (width - len(cells))]
            if any(padded[width:]):
                finding = f"the row has {len(cells)} cells, the header has {width}."
                raise DataError(grid.problem(finding, "Give every column a header.", row))
            found[-1].rows.append((row, [*padded[:width], text]))
    if block_row and not (found and found[-1].block_row == block_row):
        empty.append(f"row {block_row}: '{shorten(text)}'")
    if empty:
        grid.notes.append(f"texts that begin no rows skipped ({'; '.join(empty)}).")
    if repeated:
        grid.notes.append(f"{plural(len(repeated), 'repeated header')} skipped ({row_list(repeated)}).")
    if not found:
        finding = "the table has no block with rows."
        remedy = "A block begins with a row whose first cell only is filled; its rows follow."
        raise DataError(grid.problem(finding, remedy))
    return found


# --- several count columns --------------------------------------------------------------------------------


def _lengthened(grid: Grid, part: Part, wide: Wide, used: set[str], is_date: Callable[[str], bool]) -> Part:
    """Return a part with one row for each count cell."""
    if not wide.headers:
        return part
    counts, left = _count_columns(grid, part, wide, used, is_date)
    own = [at for at, name in enumerate(part.header) if at not in counts and at not in left and name]
    rows, totals = _without_totals(part, own, wide)
    part.met |= {_plain(part.header[at]) for at in left}
    part.left_out += _left_out_columns(grid, part, rows, left, counts)
    out: list[Record] = []
    headers: list[str] = []
    for row, cells in rows:
        mine = [cells[at] for at in own]
        for at in counts:
            name = part.header[at]
            out.append((row, [*mine, name, cells[at]]))
            headers.append(name)
    if totals:
        grid.notes.append(f"{plural(len(totals), 'row')} of totals left out ({row_list(totals)}).")
    header = [*(part.header[at] for at in own), HEADER, COUNT]
    return Part(header, part.header_row, out, part.block_row, headers, part.left_out, part.met)


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


def _without_totals(part: Part, own: list[int], wide: Wide) -> tuple[list[Record], list[int]]:
    """Return the rows that are no sums and not left out by name, and the numbers of the others."""
    out = {_plain(name) for name in wide.leave_out}
    kept: list[Record] = []
    totals: list[int] = []
    for row, cells in part.rows:
        first = next((cells[at] for at in own if cells[at]), "")
        if is_total(first) or _plain(first) in out:
            totals.append(row)
            part.met.add(_plain(first))
        else:
            kept.append((row, cells))
    return kept, totals


def _left_out_columns(
    grid: Grid, part: Part, rows: list[Record], left: list[int], counts: list[int]
) -> list[LeftOut]:
    """Name the columns that are left out; a total or a column without a name holds no checks."""
    found = []
    for at in left:
        name = part.header[at]
        filled = [(row, cells[at]) for row, cells in rows if cells[at]]
        shown = f"'{shorten(name)}'" if name else f"{at + 1}, which has no name,"
        if not filled and not name:
            continue
        total = is_total(name) or _holds_sums(rows, at, counts)
        of_what = " of totals" if total else ""
        grid.notes.append(f"column {shown} left out ({plural(len(filled), 'filled cell')}{of_what}).")
        if filled and name and not total:
            moths = sum(int(text) for _, text in filled if _WHOLE.fullmatch(text))
            lines = row_list([row for row, _ in filled]).split(" ", 1)[1]
            found.append(LeftOut("column left out", name, "", len(filled), lines, moths))
    return found


def _holds_sums(rows: list[Record], at: int, counts: list[int]) -> bool:
    """Return whether every filled cell of a column is the sum of the counts in its row."""
    filled = [cells for _, cells in rows if cells[at]]
    sums = [str(sum(int(cells[i]) for i in counts if _WHOLE.fullmatch(cells[i]))) for cells in filled]
    return len(filled) > 1 and sums == [cells[at] for cells in filled]


def _shown(names: Collection[str]) -> str:
    listed = [f"'{shorten(name)}'" for name in names if name]
    return ", ".join(listed[:12]) + (f" and {len(listed) - 12} more" if len(listed) > 12 else "")
