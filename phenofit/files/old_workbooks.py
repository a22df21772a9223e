"""Workbooks of the old binary kind (.xls) as text cells, within the limits of the new ones."""

from __future__ import annotations

import io
import struct
from pathlib import Path
from typing import TYPE_CHECKING

from phenofit.errors import MissingExtraError
from phenofit.files import workbooks
from phenofit.files.workbooks import Sheet, cell_text, chosen, refused

if TYPE_CHECKING:
    from xlrd.sheet import Cell


_DAMAGED = (struct.error, LookupError, AssertionError, ValueError, TypeError, AttributeError, OverflowError)
"""What its reader raises besides its own errors where a file is damaged."""


def is_old_workbook(head: bytes) -> bool:
    """Return whether the first bytes of a file are those of an .xls workbook, or of one with a password."""
    return head[:4] == b"\xd0\xcf\x11\xe0"


def read_old_workbook(path: Path, file: str, wanted: tuple[str, ...]) -> list[Sheet]:
    """Read the requested sheets of an .xls workbook, as :func:`phenofit.files.workbooks.read_workbook` does."""
    if path.stat().st_size > workbooks.LARGEST_FILE:
        raise refused(file, f"the workbook is larger than {workbooks.LARGEST_FILE / 1e6:.0f} MB.")
    try:
        import xlrd
        from xlrd.biffh import XLRDError
        from xlrd.compdoc import CompDocError
    except ImportError:
        raise MissingExtraError("xlrd", "workbooks", f"reading the workbook '{file}'") from None
    try:
        book = xlrd.open_workbook(str(path), logfile=io.StringIO())
    except (XLRDError, CompDocError, *_DAMAGED) as fault:
        raise refused(file, f"the workbook is damaged or has a password ({fault}).") from None
    sheets = book.sheets()
    if sum(sheet.nrows * sheet.ncols for sheet in sheets) > workbooks.MOST_CELLS:
        raise refused(file, f"the sheets of the workbook span more than {workbooks.MOST_CELLS} cells.")
    names = chosen({sheet.name: sheet.nrows for sheet in sheets}, wanted, file)
    found = []
    for name in names:
        sheet = book.sheet_by_name(name)
        cells = [
            [_text(cell, bool(book.datemode), file) for cell in sheet.row(i)] for i in range(sheet.nrows)
        ]
        notes = (f"the sheet '{name}' is hidden, but was read.",) if sheet.visibility else ()
        found.append(Sheet(name, cells, notes))
    return found


def _text(cell: Cell, since_1904: bool, file: str) -> str:
    import xlrd

    if cell.ctype == xlrd.XL_CELL_ERROR:
        return xlrd.error_text_from_code.get(int(cell.value), "#error")
    if cell.ctype == xlrd.XL_CELL_BOOLEAN:
        return cell_text(bool(cell.value))
    if cell.ctype != xlrd.XL_CELL_DATE:
        return cell_text(cell.value)
    try:
        moment = xlrd.xldate_as_datetime(float(cell.value), 1 if since_1904 else 0)
    except (ValueError, OverflowError):
        raise refused(file, f"a date cell holds {cell.value}, which is no day.") from None
    return cell_text(moment if float(cell.value) % 1 else moment.date())
