"""Each form of the same records is the same study: trap-years, what is left out, and the moths in the file."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from phenofit.cli import main
from phenofit.errors import DataError
from phenofit.study import read_records, survey_study
from phenofit.traps import TrapYears
from tests.study.record_forms import CLEAN, FORMS, MOTHS, RECORDS, Catch, study_with


def trap_years(folder: Path, catches: str, more: str = "") -> TrapYears:
    (records,) = read_records(study_with(folder, catches, more)).values()
    return records.trap_years


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> TrapYears:
    return trap_years(tmp_path_factory.mktemp("clean"), CLEAN)


@pytest.mark.parametrize("name", FORMS)
def test_a_form_has_the_trap_years_of_its_clean_twin(name: str, clean: TrapYears, tmp_path: Path) -> None:
    path = study_with(tmp_path, FORMS[name](tmp_path))
    (records,) = read_records(path).values()
    found = records.trap_years
    # The rows of the file are others; everything else is the same to the byte.
    pd.testing.assert_frame_equal(found.intervals.drop(columns="row"), clean.intervals.drop(columns="row"))
    pd.testing.assert_frame_equal(found.years, clean.years)
    read = found.left_out[found.left_out["reason"] != "the same row again"]
    pd.testing.assert_frame_equal(read.drop(columns="lines"), clean.left_out.drop(columns="lines"))
    survey = survey_study(path)
    assert not survey.problems
    (account,) = survey.accounts
    first = account.lines()[0]
    again = found.left_out[found.left_out["reason"] == "the same row again"]
    moths, checks = MOTHS + int(again["moths"].sum()), len(RECORDS) + int(again["rows"].sum())
    assert f": {moths} moths in {checks} checks of field." in first


def test_what_is_left_out_is_named(tmp_path: Path) -> None:
    notes = {name: " ".join(survey(tmp_path, name)) for name in FORMS}
    assert "sheet '2023': 1 title above the table skipped (row 1: 'Catches 2023')" in notes["sheet per year"]
    assert "sheet '2024': 1 row of totals left out (row 7)" in notes["sheet per year"]
    assert "1 footnote below the table skipped (row 9: 'counted by J. B.')" in notes["sheet per year"]
    assert "column 'Total' left out (4 filled cells of totals)" in notes["sheet per year"]
    assert "column 4 has no name; its 56 filled cells are not read" in notes["date cells"]
    assert "columns that are not read: 'Summe'" in notes["column per date"]
    assert "1 row of totals left out (row 16)" in notes["column per trap"]
    assert "column 'All' left out (14 filled cells of totals)" in notes["column per trap"]
    assert "5 rows are identical to another and left out (rows 58-62)" in notes["repeated rows"]
    assert "weeks are read as those of ISO 8601, each check on its Sunday" in notes["week"]


def survey(folder: Path, name: str) -> tuple[str, ...]:
    """Return the notes of a check of one form."""
    return survey_study(study_with(folder, FORMS[name](folder))).notes


@pytest.mark.slow
@pytest.mark.parametrize("name", ["sheet per year", "block per trap"])
def test_a_fit_of_a_form_is_that_of_its_clean_twin(name: str, tmp_path: Path) -> None:
    tables = []
    for case in ("form", "clean"):
        folder = tmp_path / case
        folder.mkdir()
        path = study_with(folder, FORMS[name](folder) if case == "form" else CLEAN)
        assert main(["fit", str(path), "--out", str(folder / "out")]) == 0
        tables.append(pd.read_csv(folder / "out" / "flights.csv").drop(columns="run"))
    pd.testing.assert_frame_equal(tables[0], tables[1])


SUBSETS: dict[str, tuple[str, Callable[[Catch], bool]]] = {
    '[only]\ntraps = ["P1 red", "P2 red"]\n': ("not in [only] traps", lambda c: c.lure == "red"),
    "[only]\nyears = 2024\n": ("not in [only] years", lambda c: c.date.year == 2024),
    "[except]\nyears = [2023]\n": ("in [except] years", lambda c: c.date.year == 2024),
    '[except]\nsites = ["P2 blue"]\n': ("in [except] sites", lambda c: (c.plot, c.lure) != ("P2", "blue")),
    '[only]\nlures = ["RED"]\n': ("not in [only] lures", lambda c: c.lure == "red"),
    '[only]\nstations = ["S1"]\n': ("not in [only] stations", lambda c: c.plot == "P1"),
}


@pytest.mark.parametrize("text", SUBSETS)
def test_a_subset_is_used_and_the_rest_counted(text: str, tmp_path: Path) -> None:
    reason, inside = SUBSETS[text]
    catches = FORMS["month in words"](tmp_path) + 'lure = "Lure"\n'
    path = study_with(tmp_path, catches, text)
    (records,) = read_records(path).values()
    counted = sum(int(c.text) for c in RECORDS if inside(c) and c.text.isdigit())
    left = records.trap_years.left_out
    out = left[left["reason"] == reason]
    assert out["moths"].sum() == MOTHS - counted
    assert out["rows"].sum() == sum(not inside(c) for c in RECORDS)
    assert records.trap_years.years["total"].sum() + left["moths"].sum() == MOTHS
    (account,) = survey_study(path).accounts
    line = account.lines()[0]
    assert line == f"example leaf feeder: {MOTHS} moths in {len(RECORDS)} checks of field.csv"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('[only]\ntraps = ["P1 rd"]\n', "[only] traps names 'P1 rd', which no catch has."),
        ('[except]\nlures = ["red"]\n', "[except] has lures, but no table says the lure of a catch."),
        ('[only]\nyears = ["2024"]\n', "is not a list of years"),
        ('[only]\ncolour = "red"\n', "the key 'colour' is not known."),
        ('[except]\nspecies = ["x"]\n', "[except] has species, but no table says the species of a catch."),
    ],
)
def test_a_subset_of_nothing_is_refused(text: str, says: str, tmp_path: Path) -> None:
    problems = survey_study(study_with(tmp_path, CLEAN, text)).problems
    assert len(problems) == 1
    assert says in str(problems[0])


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ('[catches.wide]\ncolumns = "dates"\n', "the table says neither what the headers are"),
        ('[catches.wide]\nheaders = "day"\n', "'day' is not accepted."),
        ('[catches.wide]\nheaders = "part"\n', "needs a column that uses '<header>'"),
        ("[catches.wide]\nblocks = true\n", "the texts of the blocks are not used."),
        ('[catches.columns]\ntrap = "<sheet>"\n', "'<sheet>' is used, but the file has no sheets."),
        ('[catches.columns]\ntrap = "<block>"\n', "'<block>' is used, but blocks are not declared."),
        ('[catches.columns]\ntrap = "<header>"\n', "the table is not wide"),
        (
            '[catches.columns]\ncount = "count"\n[catches.wide]\nheaders = "date"\n',
            "a column 'count' is named",
        ),
        ('[catches.wide]\nheaders = "date"\n', "no header is a date."),
        ('[catches.wide]\nheaders = "trap"\ncolumns = ["x"]\n', "there is no column 'x'."),
        ('sheet = "a"\n', "the file is delimited text, which has no sheets."),
        ('sheet = "a"\nsheets = "all"\n', "both 'sheet' and 'sheets' are given."),
        ('encoding = "utf8"\n', "'utf8' is not accepted."),
        ('start = "noon"\n', "'noon' is not accepted."),
        ('overlaps = "keep"\n', "'keep' is not accepted."),
        ('start = "one night"\nfirst_interval_days = 7\n', "'first_interval_days' has no effect"),
    ],
)
def test_keys_that_say_too_little_are_refused(keys: str, says: str, tmp_path: Path) -> None:
    problems = survey_study(study_with(tmp_path, CLEAN + keys)).problems
    assert says in " ".join(map(str, problems))
    with pytest.raises(DataError):
        read_records(study_with(tmp_path, CLEAN + keys))


def test_an_unknown_trap_is_named_with_its_sheet_or_column(tmp_path: Path) -> None:
    path = study_with(tmp_path, FORMS["sheet per year"](tmp_path))
    traps = (tmp_path / "traps.csv").read_text("utf-8")
    (tmp_path / "traps.csv").write_text(traps.replace("P2 blue", "P2 green"), "utf-8")
    (problem,) = survey_study(path).problems
    assert str(problem).startswith(
        "field.xlsx, sheet '2023', row 6, column 'Plot + Lure': trap 'P2 blue' is not in the trap table"
    )
    path = study_with(tmp_path, FORMS["column per trap"](tmp_path).replace('leave_out = ["All"]\n', ""))
    field = tmp_path / "field.csv"
    field.write_text(field.read_text("utf-8").replace(",All\n", ",Alle\n"), "utf-8")
    (problem,) = survey_study(path).problems
    assert "trap 'Alle' is not in the trap table" in problem.finding
    assert problem.remedy.endswith("A column that is no trap goes into leave_out of [catches.wide].")


def test_a_workbook_without_its_reader_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = study_with(tmp_path, FORMS["date cells"](tmp_path))
    monkeypatch.setitem(sys.modules, "python_calamine", None)
    assert main(["check", str(path)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.endswith('pip install "phenofit-toolkit[workbooks]"')
