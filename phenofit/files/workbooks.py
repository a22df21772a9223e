"""Workbooks as text cells: values only, within fixed limits; formulas and macros are never run, links never followed."""

from __future__ import annotations

import datetime as dt
import re
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from xml.parsers import expat

from phenofit.errors import DataError, MissingExtraError, Problem
from phenofit.files.safe_files import require_regular
from phenofit.seasons import MONTHS

LARGEST_FILE = 100 * 1024**2
"""Largest workbook that is read [bytes]."""
LARGEST_EXPANDED = 500 * 1024**2
"""Largest size of the unpacked parts of a workbook together [bytes]."""
MOST_CELLS = 5_000_000
"""Most cells of the rectangles that the sheets of a workbook fill."""

_CHUNK = 1024**2
_REFERENCE = re.compile(r"([A-Z]{1,3})([1-9]\d{0,6})")
_SHEET_PART = re.compile(r"xl/worksheets/[^/]+\.xml")
_SAVE = "Save it as .xlsx, or save the sheet as CSV (UTF-8)."
_UNSTORED = "formula without a stored result"


@dataclass
class Sheet:
    """One sheet: its cells as text from the first row on, and remarks on it."""

    name: str
    cells: list[list[str]]
    notes: tuple[str, ...] = ()


@dataclass
class _Facts:
    """What a scan of a sheet found before its cells are read."""

    height: int = 0
    width: int = 0
    # Cells that the reader would give as blank although they hold something: row and column from 0.
    faulty: dict[tuple[int, int], str] = field(default_factory=dict)
    formulas: list[tuple[int, int]] = field(default_factory=list)


def is_workbook(head: bytes) -> bool:
    """Return whether the first bytes of a file are those of a workbook."""
    return head[:4] == b"PK\x03\x04"


def read_workbook(path: Path, file: str, wanted: tuple[str, ...]) -> list[Sheet]:
    """Read the requested sheets of a workbook: names, ``("all",)``, or nothing for its only sheet."""
    facts = _scan(path, file)
    try:
        import python_calamine as calamine
    except ImportError:
        raise MissingExtraError("python-calamine", "workbooks", f"reading the workbook '{file}'") from None
    try:
        with calamine.CalamineWorkbook.from_path(path) as book:
            hidden = {
                meta.name
                for meta in book.sheets_metadata
                if meta.visible != calamine.SheetVisibleEnum.Visible
            }
            names = chosen({name: found.height for name, found in facts.items()}, wanted, file)
            return [_sheet(book.get_sheet_by_name(n), facts[n], n in hidden) for n in names]
    except calamine.CalamineError as fault:
        raise refused(file, f"the workbook cannot be read ({fault}).") from None


def chosen(heights: dict[str, int], wanted: tuple[str, ...], file: str) -> list[str]:
    """Return the names of the sheets to read, by the number of rows of each sheet."""
    filled = [name for name, height in heights.items() if height]
    listed = ", ".join(f"'{name}'" for name in heights)
    unknown = [name for name in wanted if name not in heights and wanted != ("all",)]
    if unknown:
        raise DataError(Problem(f"there is no sheet '{unknown[0]}'.", f"The sheets are: {listed}.", file))
    if not wanted and len(filled) > 1:
        remedy = 'Name one with sheet = "...", several with sheets = ["...", "..."], or set sheets = "all".'
        raise DataError(Problem(f"the workbook has {len(filled)} filled sheets: {listed}.", remedy, file))
    if not filled:
        raise DataError(Problem("the workbook is empty.", "The first row must name the columns.", file))
    return filled if wanted in ((), ("all",)) else list(wanted)


def _sheet(sheet: object, facts: _Facts, hidden: bool) -> Sheet:
    cells = [[cell_text(value) for value in row] for row in sheet.to_python(skip_empty_area=False)]  # type: ignore[attr-defined]
    for (row, column), text in facts.faulty.items():
        if row < len(cells) and column < len(cells[row]):
            cells[row][column] = text
    name = str(sheet.name)  # type: ignore[attr-defined]
    notes = [f"the sheet '{name}' is hidden, but was read."] if hidden else []
    merged = sheet.merged_cell_ranges or []  # type: ignore[attr-defined]
    if merged:
        shown = ", ".join(f"{_reference(*a)}:{_reference(*b)}" for a, b in merged[:6])
        more = f" and {len(merged) - 6} more" if len(merged) > 6 else ""
        notes.append(
            f"merged cells in sheet '{name}' ({shown}{more}): only the first cell of each holds its value."
        )
    return Sheet(name, cells, tuple(notes))


def cell_text(value: object) -> str:
    """Return a cell as text; a date names its month, so that it is the same date in every declared order."""
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return f"{value:.15g}"  # the digits that spreadsheet programs keep
    if isinstance(value, dt.datetime):
        day = f"{value.day}-{MONTHS[value.month - 1][:3]}-{value.year:04d}"
        return f"{day} {value:%H:%M:%S}"
    if isinstance(value, dt.date):
        return f"{value.day}-{MONTHS[value.month - 1][:3]}-{value.year:04d}"
    return str(value)


def _reference(row: int, column: int) -> str:
    letters = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        letters = chr(65 + rest) + letters
    return f"{letters}{row + 1}"


# --- the scan: sizes before memory is used, and cells that must not be read as blank ------------------------


def refused(file: str, finding: str, remedy: str = _SAVE) -> DataError:
    """Return the error for a workbook that is refused."""
    return DataError(Problem(finding, remedy, file))


def _scan(path: Path, file: str) -> dict[str, _Facts]:
    """Return the facts of each sheet by its name, in order; refuse what is too large, damaged or of another kind."""
    require_regular(file, remedy="Check the name and the folder.")
    if path.stat().st_size > LARGEST_FILE:
        raise refused(file, f"the workbook is larger than {LARGEST_FILE / 1e6:.0f} MB.")
    if not zipfile.is_zipfile(path):
        raise refused(file, "the workbook is damaged.")
    try:
        with zipfile.ZipFile(path) as archive:
            return _facts(archive, file)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, OSError) as fault:
        raise refused(file, f"the workbook is damaged or protected ({fault}).") from None
    except expat.ExpatError as fault:
        raise refused(file, f"the workbook holds broken XML ({fault}).") from None


def _facts(archive: zipfile.ZipFile, file: str) -> dict[str, _Facts]:
    parts = archive.namelist()
    if len(set(parts)) < len(parts):
        raise refused(file, "the workbook holds two parts of one name.")
    by_part: dict[str, dict[str, _Facts]] = {}
    book = _BookScan()
    expanded = cells = 0
    for info in archive.infolist():
        feed: Callable[[bytes], None] = lambda _: None
        if _SHEET_PART.fullmatch(info.filename):
            found = by_part[info.filename] = {"": _Facts()}
            feed = _parser(file, _SheetScan(found[""]))
        elif info.filename == "content.xml":
            found = by_part[info.filename] = {}
            feed = _parser(file, _OpenDocumentScan(found))
        elif info.filename in ("xl/workbook.xml", "xl/_rels/workbook.xml.rels"):
            feed = _parser(file, book)
        for chunk in _unpacked(archive, info):
            expanded += len(chunk)
            if expanded > LARGEST_EXPANDED:
                raise refused(
                    file, f"the workbook is larger than {LARGEST_EXPANDED / 1e6:.0f} MB when unpacked."
                )
            feed(chunk)
            filled = sum(f.height * f.width for sheets in by_part.values() for f in sheets.values())
            cells = max(cells, filled)
            if cells > MOST_CELLS:
                raise refused(
                    file,
                    f"the sheets of the workbook span more than {MOST_CELLS} cells.",
                    f"Look for a stray cell far below or beside the table. {_SAVE}",
                )
    if "content.xml" in by_part:
        return by_part["content.xml"]
    if not book.sheets:
        raise refused(file, "this is no workbook of the kinds .xlsx, .xlsm or .ods.")
    result = {}
    for name, relation in book.sheets:
        target = book.targets.get(relation, "")
        part = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
        if part in by_part:  # chart sheets have no cells
            result[name] = facts = by_part[part][""]
            # A library wrote the file: its results of formulas are blank or zero until a program computes them.
            facts.faulty |= dict.fromkeys(facts.formulas, _UNSTORED) if book.uncomputed else {}
    return result


def _relation(attributes: dict[str, str]) -> str:
    return next((value for key, value in attributes.items() if key.endswith(":id")), "")


def _unpacked(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> Iterator[bytes]:
    """Yield the content of a part, and nothing at its end; its declared size, which may be wrong, does not bound it."""
    info.file_size = 2**40
    with archive.open(info) as stream:
        while chunk := stream.read(_CHUNK):
            yield chunk
    yield b""


class _Scanner:
    """Handler of the events of an XML parser; names of elements are without their prefix."""

    parser: expat.XMLParserType

    def start(self, name: str, attributes: dict[str, str]) -> None:
        """Take the start of an element."""

    def end(self, name: str) -> None:
        """Take its end."""


def _parser(file: str, scanner: _Scanner) -> Callable[[bytes], None]:
    def refuse(*_: object) -> None:
        raise refused(file, "the workbook declares XML entities, which none needs.")

    parser = expat.ParserCreate()
    scanner.parser = parser
    parser.StartDoctypeDeclHandler = refuse
    parser.StartElementHandler = lambda name, attributes: scanner.start(name.rpartition(":")[2], attributes)
    parser.EndElementHandler = lambda name: scanner.end(name.rpartition(":")[2])

    def feed(chunk: bytes) -> None:
        parser.Parse(chunk, not chunk)

    return feed


class _BookScan(_Scanner):
    """The sheets of a workbook, the parts they stand in, and whether its formulas wait to be computed."""

    def __init__(self) -> None:
        self.sheets: list[tuple[str, str]] = []
        self.targets: dict[str, str] = {}
        self.uncomputed = False

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if name == "sheet" and "name" in attributes:
            self.sheets.append((attributes["name"], _relation(attributes)))
        elif name == "Relationship":
            self.targets[attributes.get("Id", "")] = attributes.get("Target", "")
        elif name == "calcPr":
            self.uncomputed = attributes.get("fullCalcOnLoad") in ("1", "true")


class _SheetScan(_Scanner):
    """Extent of a worksheet, its error cells and its formulas without a stored result."""

    def __init__(self, facts: _Facts) -> None:
        self.facts, self.row, self.column = facts, -1, -1
        self.kind, self.text, self.formula, self.value = "", "", False, False

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if name == "c":
            place = _REFERENCE.fullmatch(attributes.get("r", ""))
            if place:
                self.column, self.row = _number(place.group(1)) - 1, int(place.group(2)) - 1
            else:
                self.column += 1
            self.kind, self.text, self.formula, self.value = attributes.get("t", ""), "", False, False
        elif name in ("v", "is"):
            self.value = True
            if self.kind == "e" or self.formula:
                self.parser.CharacterDataHandler = self._take
        elif name == "f":
            self.formula = True
        elif name == "row":
            row = attributes.get("r", "")
            self.row, self.column = (int(row) - 1 if row.isdigit() else self.row + 1), -1

    def _take(self, text: str) -> None:
        self.text += text

    def end(self, name: str) -> None:
        self.parser.CharacterDataHandler = None
        if name != "c" or not (self.value or self.formula):
            return
        facts, place = self.facts, (self.row, self.column)
        facts.height, facts.width = max(facts.height, self.row + 1), max(facts.width, self.column + 1)
        if self.kind == "e":
            facts.faulty[place] = self.text or "#error"
        elif self.formula and not self.text and self.kind != "str":
            facts.faulty[place] = _UNSTORED
        elif self.formula:
            facts.formulas.append(place)


class _OpenDocumentScan(_Scanner):
    """The same facts of an OpenDocument sheet, where rows and cells may be repeated."""

    def __init__(self, sheets: dict[str, _Facts]) -> None:
        self.sheets, self.facts, self.row, self.column, self.rows = sheets, _Facts(), 0, 0, 1

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if name == "table" and "table:name" in attributes:
            self.facts = self.sheets[attributes["table:name"]] = _Facts()
            self.row = self.column = 0
        elif name == "table-row":
            self.rows, self.column = _repeats(attributes, "table:number-rows-repeated"), 0
        elif name in ("table-cell", "covered-table-cell"):
            times = _repeats(attributes, "table:number-columns-repeated")
            if "office:value-type" in attributes:
                facts = self.facts
                facts.height = max(facts.height, self.row + self.rows)
                facts.width = max(facts.width, self.column + times)
                if attributes.get("calcext:value-type") == "error":
                    facts.faulty[self.row, self.column] = "#error"
            self.column += times

    def end(self, name: str) -> None:
        if name == "table-row":
            self.row += self.rows


def _repeats(attributes: dict[str, str], key: str) -> int:
    text = attributes.get(key, "1")
    return int(text) if text.isdigit() and len(text) < 10 else 1


def _number(letters: str) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - 64
    return number
