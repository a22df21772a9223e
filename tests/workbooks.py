"""Workbooks that tests write."""

from __future__ import annotations

from openpyxl import Workbook
from openpyxl.worksheet.worksheet import Worksheet


def active(book: Workbook) -> Worksheet:
    """Return the first sheet of a workbook."""
    sheet = book.active
    assert isinstance(sheet, Worksheet)
    return sheet
