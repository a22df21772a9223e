"""Workbooks with several sheets, and titles and footnotes around a table."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from openpyxl import Workbook

from phenofit.cli import main
from phenofit.errors import DataError
from phenofit.study import read_records
from tests.starting import file_sets
from tests.starting.file_sets import MOTH
from tests.starting.tables import evidence, prepared
from tests.workbooks import active

ANSWERS = {"catches.blank": ("not checked",), "catches.start": ("check before",), "study.species": (MOTH,)}
Rows = list[list[str | int | float]]


def _book(path: Path, sheets: dict[str, Rows]) -> None:
    book = Workbook()
    book.remove(active(book))
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    book.save(path)


def _by_year() -> dict[str, Rows]:
    table = file_sets.checks().query("lure == 'A'")
    sheets: dict[str, Rows] = {}
    for trap, _, _, day, count in table.itertuples(index=False, name=None):
        rows = sheets.setdefault(str(day.year), [["Plot", "DOY", "Moths"]])
        rows.append([trap, day.day_of_year, "" if np.isnan(count) else int(count)])
    return sheets


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "mine"
    place.mkdir()
    file_sets.by_hand(place, set_dates=False, lures=False).unlink()
    (place / "catches.csv").unlink()
    return place


def test_a_sheet_per_year_gives_the_year_of_days_of_the_year(folder: Path, tmp_path: Path) -> None:
    _book(folder / "catches.xlsx", _by_year())
    found = prepared(folder, ANSWERS)
    assert not found.questions
    catches = tomllib.loads(found.files["study.toml"])["catches"]
    assert (catches["file"], catches["sheets"], catches["dates"]) == ("catches.xlsx", "all", "day-of-year")
    assert catches["columns"] == {"date": "DOY", "year": "<sheet>", "trap": "Plot", "count": "Moths"}
    options = [f"--answer={name}={answer[0]}" for name, answer in ANSWERS.items()]
    assert main(["init", str(folder), *options]) == 0
    (tmp_path / "hand").mkdir()
    hand = file_sets.by_hand(tmp_path / "hand", set_dates=False, lures=False)
    mine, theirs = (
        read_records(study)[MOTH].trap_years.intervals.drop(columns="row").sort_values(["trap", "start"])
        for study in (folder / "study.toml", hand)
    )
    assert mine.to_csv(index=False) == theirs.to_csv(index=False)


def test_tables_of_other_columns_in_one_workbook_are_told_apart(folder: Path) -> None:
    traps: Rows = [["Plot", "Lat", "Lon"]]
    traps += [[name, lat, lon] for name, (lat, lon, _) in file_sets.TRAPS.items()]
    (folder / "traps.csv").unlink()
    _book(folder / "field.xlsx", {**_by_year(), "plots": traps})
    study = tomllib.loads(prepared(folder, ANSWERS).files["study.toml"])
    assert (study["catches"]["file"], study["catches"]["sheets"]) == ("field.xlsx", ["2021", "2022"])
    assert (study["traps"]["file"], study["traps"]["sheets"]) == ("field.xlsx", ["plots"])
    options = [f"--answer={name}={answer[0]}" for name, answer in ANSWERS.items()]
    assert main(["init", str(folder), *options]) == 0


def test_a_sheet_per_lure_tells_repeats_apart(folder: Path) -> None:
    table = file_sets.checks()
    sheets: dict[str, Rows] = {}
    for trap, lure, _, day, count in table.itertuples(index=False, name=None):
        rows = sheets.setdefault(f"lure {lure}", [["Plot", "Date", "Moths"]])
        rows.append([trap, f"{day:%Y-%m-%d}", "" if np.isnan(count) else int(count)])
    _book(folder / "catches.xlsx", sheets)
    found = prepared(folder, ANSWERS)
    assert [question.name for question in found.questions] == ["catches.duplicates"]
    assert "With '<sheet>'" in evidence(found, "catches.duplicates")
    found = prepared(folder, {**ANSWERS, "catches.duplicates": ("<sheet>",)})
    columns = tomllib.loads(found.files["study.toml"])["catches"]["columns"]
    assert columns["trap"] == ["Plot", "<sheet>"]


def test_weather_in_one_of_several_sheets_is_refused_with_the_remedy(folder: Path) -> None:
    weather = [line.split(",") for line in (folder / "weather.csv").read_text("utf-8").splitlines()]
    (folder / "weather.csv").unlink()
    _book(folder / "all.xlsx", {**_by_year(), "weather": [[*row] for row in weather[:400]]})
    with pytest.raises(
        DataError, match=r"all\.xlsx \[weather\]: weather is not read from one of several sheets"
    ):
        prepared(folder, ANSWERS)


def test_titles_and_footnotes_stand_outside_the_table(folder: Path) -> None:
    rows = [
        "Trapping in the valley",
        "",
        "trap,date,count",
        "South,2021-05-01,1",
        "South,2021-05-08,2",
        "by hand",
    ]
    (folder / "catches.csv").write_text("\n".join(rows) + "\n", "utf-8")
    found = prepared(folder, ANSWERS)
    assert not found.questions
    assert any("all 2 numbers are whole" in fact for fact in found.facts)


def test_a_text_that_is_no_utf_8_gets_its_encoding_stated_or_asked(folder: Path) -> None:
    text = "trap,date,count\nCh\u00e2teau,2021-05-01,1\nCh\u00e2teau,2021-05-08,2\n"
    (folder / "catches.csv").write_bytes(text.encode("latin-1"))
    found = prepared(folder, ANSWERS)
    assert tomllib.loads(found.files["study.toml"])["catches"]["encoding"] == "windows-1252"
    assert any("'Ch\u00e2teau'" in fact for fact in found.facts)
    title = "Pi\u00e8ges,,\n"
    (folder / "catches.csv").write_bytes((title + text.replace("\u00e2", "a")).encode("latin-1"))
    assert not prepared(folder, ANSWERS).questions
    # A typographic apostrophe is a byte that the two encodings read differently.
    (folder / "catches.csv").write_bytes(text.replace("Ch\u00e2teau", "Miller\u2019s").encode("windows-1252"))
    (question,) = prepared(folder, ANSWERS).questions
    assert question.name == "catches.encoding"
    assert question.choices["windows-1252"] == "'Miller\u2019s'"
    answered = prepared(folder, {**ANSWERS, "catches.encoding": ("latin-1",)})
    assert tomllib.loads(answered.files["study.toml"])["catches"]["encoding"] == "latin-1"


def test_weather_that_is_no_utf_8_is_refused_with_the_remedy(folder: Path) -> None:
    (folder / "catches.csv").write_text("trap,date,count\nSouth,2021-05-01,1\nSouth,2021-05-08,2\n", "utf-8")
    text = (folder / "weather.csv").read_text("utf-8").replace("S1,", "S\u00e9,")
    (folder / "weather.csv").write_bytes(text.encode("latin-1"))
    with pytest.raises(DataError, match=r"weather\.csv: the file is not UTF-8 text\. Save it as UTF-8\."):
        prepared(folder, ANSWERS)
