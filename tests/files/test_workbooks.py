"""Workbooks: their values, what must not pass for blank, and limits that hold before memory is used."""

from __future__ import annotations

import datetime as dt
import sys
import zipfile
from collections.abc import Callable, Sequence
from pathlib import Path

import openpyxl
import pytest
import xlwt
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from phenofit.errors import DataError, MissingExtraError, Problem
from phenofit.files import workbooks
from phenofit.files.cells import parse_dates
from phenofit.files.tables import read_table
from phenofit.files.text_table import Table, TableFile
from phenofit.traps import read_catches
from tests.workbooks import active

SHEET = "xl/worksheets/sheet1.xml"


def book(folder: Path, *rows: Sequence[object], name: str = "t.xlsx") -> Path:
    made = openpyxl.Workbook()
    for row in rows:
        active(made).append(list(row))
    made.save(folder / name)
    return folder / name


def changed(path: Path, part: str, change: Callable[[str], str]) -> Path:
    """Write a workbook again with one part changed."""
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    parts[part] = change(parts[part].decode()).encode()
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return path


def read(path: Path, *sheets: str) -> Table:
    return read_table(TableFile(path, sheets=sheets), required=["trap", "x"])


def refusal(path: Path, *sheets: str) -> str:
    with pytest.raises(DataError) as caught:
        read(path, *sheets)
    return str(caught.value)


def test_values_become_the_text_a_person_would_write(tmp_path: Path) -> None:
    cells = [0.1 + 0.2, 12, 3.0, True, dt.date(2019, 6, 4), dt.datetime(2019, 6, 4, 7, 30), " A1 ", 1e21]
    table = read(book(tmp_path, ["trap", "x"], *(["A", cell] for cell in cells)))
    expected = ["0.3", "12", "3", "true", "4-Jun-2019", "4-Jun-2019 07:30:00", "A1", "1e+21"]
    assert table.frame["x"].tolist() == expected
    assert table.rows.tolist() == list(range(2, 10))


@pytest.mark.parametrize("order", ["year-first", "month-first", "day-first"])
@pytest.mark.parametrize("old", [False, True])
def test_date_cells_are_dates_of_both_epochs_in_any_order(old: bool, order: str, tmp_path: Path) -> None:
    made = openpyxl.Workbook()
    if old:
        made.epoch = CALENDAR_MAC_1904
    active(made).append(["trap", "x"])
    active(made).append(["A", dt.date(2019, 6, 4)])
    active(made).append(["A", dt.datetime(2019, 12, 5, 7, 30)])
    made.save(tmp_path / "t.xlsx")
    values, problems = parse_dates(read(tmp_path / "t.xlsx"), "x", order, default_hour=12)
    assert not problems
    assert values.astype("datetime64[m]").astype(str).tolist() == ["2019-06-04T12:00", "2019-12-05T07:30"]


def test_dates_that_a_program_may_have_exchanged_are_refused(tmp_path: Path) -> None:
    # Typed day first as 3/5, 4/5 and 17/5 where the program expects the month first.
    rows: list[list[object]] = [["A", dt.date(2019, 3, 5)], ["A", dt.date(2019, 4, 5)], ["A", "17/5/2019"]]
    table = read(book(tmp_path, ["trap", "x"], *rows))
    _, problems = parse_dates(table, "x", "day-first")
    assert [p.row for p in problems] == [2]
    assert (
        "'5-Mar-2019' may be 2019-03-05 or, with day and month exchanged, 2019-05-03" in problems[0].finding
    )
    table = read(book(tmp_path, ["trap", "x"], *rows, ["A", dt.date(2019, 5, 18)]))
    assert parse_dates(table, "x", "day-first")[1] == []


def test_errors_and_formulas_without_results_do_not_pass_for_blank(tmp_path: Path) -> None:
    path = book(tmp_path, ["trap", "date", "count"], ["A", dt.date(2019, 6, 4), "=1+2"], ["A", "x", "#N/A"])
    made = openpyxl.load_workbook(path)
    active(made)["B3"] = dt.date(2019, 6, 11)
    active(made)["C3"].data_type = "e"
    made.save(path)
    with pytest.raises(DataError) as caught:
        read_catches(path, dates="year-first", blank="zero")
    said = [(p.sheet, p.row, p.column, p.finding) for p in caught.value.problems]
    assert said == [
        ("Sheet", 2, "count", "'formula without a stored result' is not a count."),
        ("Sheet", 3, "count", "'#N/A' is not a count."),
    ]
    # A library that writes 0 as the result asks for a full computation, as this file does.
    path = changed(path, SHEET, lambda xml: xml.replace("<v></v>", "<v>3</v>").replace("<v />", "<v>3</v>"))
    assert "<f>1+2</f><v>3</v>" in zipfile.ZipFile(path).read(SHEET).decode()
    with pytest.raises(DataError, match="formula without a stored result"):
        read_catches(path, dates="year-first", blank="zero")
    path = changed(path, "xl/workbook.xml", lambda xml: xml.replace('fullCalcOnLoad="1"', ""))
    with pytest.raises(DataError, match="'#N/A' is not a count") as caught:
        read_catches(path, dates="year-first", blank="zero")
    assert len(caught.value.problems) == 1


def test_one_of_several_sheets_is_chosen_never_guessed(tmp_path: Path) -> None:
    path = book(tmp_path, ["trap", "x"], ["A", 1])
    made = openpyxl.load_workbook(path)
    for name, state in (("more", "visible"), ("old", "hidden"), ("blank", "visible")):
        sheet = made.create_sheet(name)
        sheet.sheet_state = state
        if name != "blank":
            sheet.append([name and None, None])
            sheet.append(["x", "trap"])
            sheet.append([2, name])
    made["more"].merge_cells("A5:B6")
    made.save(path)
    assert "the workbook has 3 filled sheets: 'Sheet', 'more', 'old', 'blank'" in refusal(path)
    assert "there is no sheet 'mor'. The sheets are: 'Sheet', 'more', 'old', 'blank'." in refusal(path, "mor")
    assert "sheet 'blank': the sheet is empty." in refusal(path, "blank")
    every = read(path, "all")
    assert every.frame.to_numpy().tolist() == [["A", "1"], ["more", "2"], ["old", "2"]]
    assert every.rows.tolist() == [2, 3, 3]
    assert every.problem(2, "x", "f", "r").sheet == "old"
    assert "the sheet 'old' is hidden, but was read" in " ".join(every.notes)
    assert "merged cells in sheet 'more' (A5:B6)" in " ".join(every.notes)
    assert read(path, "more").frame["x"].tolist() == ["2"]


def test_a_file_at_the_limit_is_read_and_one_above_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = book(tmp_path, ["trap", "x"], *(["A", i] for i in range(9)))
    expanded = sum(info.file_size for info in zipfile.ZipFile(path).infolist())
    for name, size, says in (
        ("LARGEST_FILE", path.stat().st_size, "larger than"),
        ("LARGEST_EXPANDED", expanded, "when unpacked"),
        ("MOST_CELLS", 20, "span more than 19 cells"),
    ):
        monkeypatch.setattr(workbooks, name, size)
        assert len(read(path).frame) == 9
        monkeypatch.setattr(workbooks, name, size - 1)
        assert says in refusal(path)
        monkeypatch.undo()


def test_a_stray_cell_far_away_is_refused_before_its_rectangle_is_made(tmp_path: Path) -> None:
    made = openpyxl.load_workbook(book(tmp_path, ["trap", "x"], ["A", 1]))
    active(made)["XFD1048576"] = 1
    made.save(tmp_path / "t.xlsx")
    assert "Look for a stray cell far below or beside the table." in refusal(tmp_path / "t.xlsx")


def test_a_part_that_understates_its_size_is_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = book(tmp_path, ["trap", "x"], *(["A", 1] for _ in range(5000)))
    size = zipfile.ZipFile(path).getinfo(SHEET).file_size
    raw = path.read_bytes()
    assert raw.count(size.to_bytes(4, "little")) >= 1
    path.write_bytes(raw.replace(size.to_bytes(4, "little"), (100).to_bytes(4, "little")))
    monkeypatch.setattr(workbooks, "LARGEST_EXPANDED", size // 2)
    assert "when unpacked" in refusal(path)


def test_what_is_no_plain_workbook_is_refused(tmp_path: Path) -> None:
    path = book(tmp_path, ["trap", "x"], ["A", 1])
    entity = '<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">]>'
    declared = changed(path, SHEET, lambda xml: entity + xml.replace(' xmlns="', ' xmlns="', 1))
    assert "declares XML entities" in refusal(declared)
    assert "broken XML" in refusal(changed(book(tmp_path, ["trap", "x"]), SHEET, lambda xml: xml + "<"))
    (tmp_path / "old.xls").write_bytes(b"\xd0\xcf\x11\xe0" + bytes(600))
    assert "the workbook is damaged or has a password (" in refusal(tmp_path / "old.xls")
    (tmp_path / "cut.xlsx").write_bytes(path.read_bytes()[:300])
    assert "damaged" in refusal(tmp_path / "cut.xlsx")
    with zipfile.ZipFile(tmp_path / "other.zip", "w") as archive:
        archive.writestr("a.txt", "a")
    assert "no workbook of the kinds" in refusal(tmp_path / "other.zip")


def test_an_encoding_of_a_workbook_is_refused(tmp_path: Path) -> None:
    path = book(tmp_path, ["trap", "x"], ["A", 1])
    with pytest.raises(DataError, match="'encoding' has no effect on a workbook"):
        read_table(TableFile(path, "latin-1"), required=["trap", "x"])


def test_without_the_extra_one_line_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = book(tmp_path, ["trap", "x"], ["A", 1])
    monkeypatch.setitem(sys.modules, "python_calamine", None)
    with pytest.raises(MissingExtraError, match=r'pip install "phenofit-toolkit\[workbooks\]"'):
        read(path)


@pytest.mark.parametrize("old_epoch", [False, True])
def test_an_old_workbook_is_read_like_a_new_one(
    old_epoch: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = xlwt.Workbook()
    made.dates_1904 = old_epoch
    sheet = made.add_sheet("2019")
    day, minute = xlwt.easyxf(num_format_str="D/M/YY"), xlwt.easyxf(num_format_str="D/M/YY h:mm")
    rows = [("trap", None), ("x", None), (dt.date(2019, 6, 4), day), (dt.datetime(2019, 6, 4, 7, 30), minute)]
    rows += [(0.1 + 0.2, None), (3.0, None), (True, None)]
    for i, (value, style) in enumerate(rows[1:]):
        sheet.write(i, 0, "A" if i else "trap")
        sheet.write(i, 1, value, *([style] if style else []))
    sheet.write(6, 0, "A")
    sheet.row(6).set_cell_error(1, "#DIV/0!")
    made.add_sheet("empty")
    made.save(str(tmp_path / "t.xls"))
    table = read(tmp_path / "t.xls", "2019")
    assert table.frame["x"].tolist() == ["4-Jun-2019", "4-Jun-2019 07:30:00", "0.3", "3", "true", "#DIV/0!"]
    assert table.problem(1, "x", "f", "r") == Problem("f", "r", str(tmp_path / "t.xls"), 3, "x", "2019")
    assert len(read(tmp_path / "t.xls").frame) == 6
    assert "there is no sheet '2018'" in refusal(tmp_path / "t.xls", "2018")
    monkeypatch.setattr(workbooks, "MOST_CELLS", 13)
    assert "span more than 13 cells" in refusal(tmp_path / "t.xls")
    monkeypatch.setattr(workbooks, "LARGEST_FILE", 100)
    assert "larger than" in refusal(tmp_path / "t.xls")
    monkeypatch.undo()
    monkeypatch.setitem(sys.modules, "xlrd", None)
    with pytest.raises(MissingExtraError, match="workbooks"):
        read(tmp_path / "t.xls")


OPEN_DOCUMENT = """<?xml version="1.0" encoding="UTF-8"?>
<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0"
 xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0"
 xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0"
 xmlns:calcext="urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0" office:version="1.2">
<office:body><office:spreadsheet><table:table table:name="field">
<table:table-row><table:table-cell office:value-type="string"><text:p>trap</text:p></table:table-cell>
<table:table-cell office:value-type="string"><text:p>x</text:p></table:table-cell></table:table-row>
<table:table-row table:number-rows-repeated="2"><table:table-cell office:value-type="string"><text:p>A</text:p>
</table:table-cell><table:table-cell office:value-type="float" office:value="3"><text:p>3</text:p></table:table-cell>
</table:table-row>
<table:table-row><table:table-cell office:value-type="string"><text:p>B</text:p></table:table-cell>
<table:table-cell office:value-type="string" office:string-value="" calcext:value-type="error"><text:p>#DIV/0!</text:p>
</table:table-cell></table:table-row>
<table:table-row table:number-rows-repeated="REPEATED"><table:table-cell table:number-columns-repeated="1024"/>
</table:table-row></table:table></office:spreadsheet></office:body></office:document-content>"""
MIME = "application/vnd.oasis.opendocument.spreadsheet"


def open_document(folder: Path, content: str) -> Path:
    path = folder / "t.ods"
    manifest = (
        '<?xml version="1.0"?><manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
        f'<manifest:file-entry manifest:full-path="/" manifest:media-type="{MIME}"/></manifest:manifest>'
    )
    with zipfile.ZipFile(path, "w") as archive:
        for name, text in (
            ("mimetype", MIME),
            ("content.xml", content.replace("\n<", "<")),
            ("META-INF/manifest.xml", manifest),
        ):
            archive.writestr(name, text)
    return path


def test_an_open_document_sheet_is_read_with_its_repeats_and_errors(tmp_path: Path) -> None:
    table = read(open_document(tmp_path, OPEN_DOCUMENT.replace("REPEATED", "1048572")))
    assert table.frame.to_numpy().tolist() == [["A", "3"], ["A", "3"], ["B", "#error"]]
    assert table.rows.tolist() == [2, 3, 4]
    many = OPEN_DOCUMENT.replace('number-rows-repeated="2"', 'number-rows-repeated="9000000"')
    assert "span more than" in refusal(open_document(tmp_path, many.replace("REPEATED", "1")))
