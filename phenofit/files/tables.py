"""Read delimited text tables without guessing and without losing a line.

Cells stay text until the caller says what they are. Every row that is left out (blank, a footnote below the
table) is counted and named in the notes; everything that cannot be read is named with its row, not coerced.
"""

from __future__ import annotations

import csv
import difflib
import io
import re
import unicodedata
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from phenofit.errors import DataError, Problem
from phenofit.files import require_regular
from phenofit.files.text_table import Table, TableSource, shorten, source_name

_DELIMITERS = (",", ";", "\t", "|")
_DELIMITER_NAMES = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_INVISIBLE = dict.fromkeys(map(ord, "\ufeff\u200b\u200c\u200d\u2060"))


def read_table(
    path: TableSource,
    *,
    columns: Mapping[str, str] | None = None,
    required: Sequence[str],
    optional: Sequence[str] = (),
    keep_others: bool = False,
) -> Table:
    """Read a delimited text table by its header."""
    file = source_name(path)
    text = path.to_csv(index=False) if isinstance(path, pd.DataFrame) else _decode(Path(path), file)
    records, delimiter = _records(text, file)
    header_row, header = records[0]
    names, positions = _match_header(
        header, header_row, file, dict(columns or {}), required, optional, keep_others, delimiter
    )
    body, notes = _body(records[1:], len(header), file, delimiter, needed=len(required))
    cells = list(zip(*(cells for _, cells in body), strict=True)) if body else [()] * len(header)
    frame = pd.DataFrame({ours: pd.Series(cells[at], dtype="str") for ours, at in positions.items()})
    rows = np.array([row for row, _ in body], dtype=np.int64)
    return Table(frame, rows, file, names, tuple(notes), delimiter)


def nearest(name: str, known: Collection[str]) -> str:
    """Return " Did you mean '…'?" for the closest known name, or the empty text."""
    close = difflib.get_close_matches(name, sorted(known), n=1)
    return f" Did you mean '{close[0]}'?" if close else ""


# --- the file ---------------------------------------------------------------------------------------------


def _decode(path: Path, file: str) -> str:
    require_regular(file, remedy="Check the name and the folder.")
    try:
        raw = path.read_bytes()
    except OSError as fault:
        reason = fault.strerror or type(fault).__name__
        raise DataError(Problem(f"the file cannot be read: {reason}.", "", file)) from None
    if raw[:4] == b"PK\x03\x04" or raw[:4] == b"\xd0\xcf\x11\xe0":
        raise DataError(Problem("this is a spreadsheet workbook.", "Save the sheet as CSV (UTF-8).", file))
    encoding = "utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError as fault:
        row = raw.count(b"\n", 0, fault.start) + 1
        raise DataError(
            Problem(f"byte {raw[fault.start]:#04x} is not UTF-8 text.", "Save the file as UTF-8.", file, row)
        ) from None
    if "\0" in text:
        row = text.count("\n", 0, text.index("\0")) + 1
        raise DataError(Problem("a NUL byte: this is no text table.", "Save the table as CSV.", file, row))
    return text


def _tidy(cell: str) -> str:
    if cell.isascii():
        return cell.strip()
    # An accent may be written as one character or as two; to the eye, and here, the names are the same.
    return unicodedata.normalize("NFC", cell.translate(_INVISIBLE)).strip()


class _Tidied(dict[str, str]):
    """Tidied cells by the raw cell: long tables repeat their texts, which are so processed and kept once."""

    def __missing__(self, cell: str) -> str:
        self[cell] = tidy = _tidy(cell)
        return tidy


def _key(name: str) -> str:
    return " ".join(unicodedata.normalize("NFKC", name.translate(_INVISIBLE)).split()).casefold()


def _records(text: str, file: str) -> tuple[list[tuple[int, list[str]]], str]:
    """Return (line, cells) of every record from the header on, and the delimiter."""
    lines = text.splitlines(keepends=True) if "\r" in text else text.split("\n")
    at = next((i for i, line in enumerate(lines) if line.strip() and not line.startswith("#")), None)
    if at is None:
        raise DataError(Problem("the file is empty.", "The first line must name the columns.", file))
    header = re.sub(r'"[^"]*"', "", lines[at])
    delimiter = max(_DELIMITERS, key=header.count)
    # Line ends go to the parser unchanged, so that a cell quoted over two lines stays one cell.
    start = sum(len(line) + (0 if "\r" in text else 1) for line in lines[:at])
    reader = csv.reader(io.StringIO(text[start:], newline=""), delimiter=delimiter, strict=True)
    records: list[tuple[int, list[str]]] = []
    tidied = _Tidied()
    line = at + 1
    try:
        for cells in reader:
            records.append((line, [tidied[cell] for cell in cells]))
            line = at + 1 + reader.line_num
    except csv.Error as fault:
        finding = f"the row cannot be split into cells ({fault})."
        raise DataError(Problem(finding, "Look for a stray quotation mark.", file, line)) from None
    return records, delimiter


def _match_header(
    header: list[str],
    row: int,
    file: str,
    columns: dict[str, str],
    required: Sequence[str],
    optional: Sequence[str],
    keep_others: bool,
    delimiter: str,
) -> tuple[dict[str, str], dict[str, int]]:
    """Return our name → theirs and our name → position."""
    found: dict[str, list[int]] = {}
    for at, name in enumerate(header):
        found.setdefault(_key(name), []).append(at)
    seen = f"The columns seen are: {', '.join(repr(shorten(h)) for h in header)}."
    problems: list[Problem] = []
    names: dict[str, str] = {}
    positions: dict[str, int] = {}
    ours_known = [*required, *optional]
    for ours in columns:
        if ours not in ours_known and not keep_others:
            remedy = f"Accepted are {', '.join(ours_known)}.{nearest(ours, ours_known)}"
            problems.append(Problem(f"the column setting '{ours}' is not known.", remedy, file))
    for ours in [*ours_known, *(c for c in columns if keep_others and c not in ours_known)]:
        theirs = columns.get(ours, ours)
        hits = found.get(_key(theirs), [])
        if len(hits) > 1:
            problems.append(Problem("the column is a duplicate.", "Rename one of them.", file, row, theirs))
        elif hits:
            names[ours], positions[ours] = header[hits[0]], hits[0]
        elif ours in required or ours in columns:
            hint = (
                "" if delimiter != "," or len(header) > 1 else " No comma, semicolon, tab or bar was found."
            )
            finding = f"there is no column '{theirs}'" + (f" (for '{ours}')." if theirs != ours else ".")
            remedy = f'{seen}{hint} Name the right one in the column settings ({ours} = "...").'
            problems.append(Problem(finding, remedy, file, row))
    if keep_others:
        taken = set(positions.values())
        for at, name in enumerate(header):
            if at not in taken and name and name not in positions and len(found[_key(name)]) == 1:
                names[name], positions[name] = name, at
    if problems:
        raise DataError(problems)
    return names, positions


def _body(
    records: list[tuple[int, list[str]]], width: int, file: str, delimiter: str, *, needed: int
) -> tuple[list[tuple[int, list[str]]], list[str]]:
    """Return the rows that carry data, each `width` cells wide, and notes on the others."""
    blank = [row for row, cells in records if not any(cells)]
    filled = [record for record in records if any(record[1])] if blank else records
    rows = list(filled)
    footnotes: list[tuple[int, str]] = []
    firsts = {cells[0] for _, cells in rows[:-1]}
    while rows and needed > 1 and rows[-1][1][0] and not any(rows[-1][1][1:]):
        row, cells = rows[-1]
        if cells[0] in firsts and len(cells) > 1:
            break
        footnotes.insert(0, (row, shorten(cells[0])))
        rows.pop()
    if not rows and len(footnotes) > 1:  # rows with another delimiter than the header
        rows, footnotes = filled, []
    problems = []
    for row, cells in rows:
        surplus = any(cells[width:])
        if surplus or len(cells) < width:
            comma = " A decimal comma needs a semicolon or tab between the cells." if delimiter == "," else ""
            finding = f"the row has {len(cells)} cells, the header has {width}."
            between = _DELIMITER_NAMES[delimiter]
            remedy = f"Every row must have as many cells as the header ({between} between them).{comma}"
            problems.append(Problem(finding, remedy, file, row))
        del cells[width:]
    if problems:
        raise DataError(problems)
    notes = []
    if blank:
        notes.append(f"{_count(len(blank), 'blank row')} skipped ({_row_list(blank)}).")
    if footnotes:
        which = "; ".join(f"row {row}: '{text}'" for row, text in footnotes)
        notes.append(f"{_count(len(footnotes), 'footnote')} below the table skipped ({which}).")
    return rows, notes


def _count(n: int, what: str) -> str:
    return f"{n} {what}" if n == 1 else f"{n} {what}s"


def _row_list(rows: Sequence[int], shown: int = 8) -> str:
    head = ", ".join(str(r) for r in rows[:shown])
    more = f" and {len(rows) - shown} more" if len(rows) > shown else ""
    return f"{'row' if len(rows) == 1 else 'rows'} {head}{more}"
