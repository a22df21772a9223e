"""Small bad and odd inputs: each is refused with its place and its words, or read with all its moths accounted for."""

from __future__ import annotations

from pathlib import Path

import pytest

from phenofit.cli import main
from phenofit.errors import PhenofitWarning
from phenofit.study import StudySurvey, survey_study
from tests.corpus import catch_cases, place_cases, study_cases, table_cases
from tests.corpus.case import SOUND, Case
from tests.studies import DEVICE

CASES: tuple[Case, ...] = (*catch_cases.CASES, *place_cases.CASES, *study_cases.CASES, *table_cases.CASES)
# One of each kind through the command line.
SHOWN = (
    "date: 31 June", "count: at least", "lines: a footnote", "encoding: Latin-1", "place: latitude above 90",
    "weather: tenths of a degree", "study: not UTF-8", "biofix: of a site that is none",
)  # fmt: skip


def _text(survey: StudySurvey) -> str:
    return "\n".join([*survey.notes, *(line for account in survey.accounts for line in account.lines())])


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_case(case: Case, tmp_path: Path) -> None:
    if case.name == "file: a device" and not Path(DEVICE).exists():
        pytest.skip(f"this system has no {DEVICE}")
    survey = survey_study(case.write(tmp_path))
    if case.where:
        assert len(survey.problems) == case.problems, [str(problem) for problem in survey.problems]
        first = survey.problems[0]
        file, row, column = case.where.rsplit(":", 2)
        assert Path(first.file).name == file
        assert (str(first.row) if row else "", first.column) == (row, column)
        assert case.words in first.finding
    else:
        assert survey.problems == ()
        account = survey.accounts[0]
        assert (account.used_moths, account.used_checks) == (case.moths, case.checks)
        assert case.words in _text(survey)
    for account in survey.accounts:
        left_out = account.left_out
        assert account.moths == account.used_moths + left_out["moths"].sum()
        assert account.checks == account.used_checks + left_out["rows"].sum() + account.joined


@pytest.mark.parametrize("name", SHOWN)
def test_case_on_the_command_line(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (case,) = (one for one in CASES if one.name == name)
    code = main(["check", str(case.write(tmp_path))])
    out, err = capsys.readouterr()
    assert code == (2 if case.where else 0)
    assert case.words in (err if case.where else out)
    assert "Traceback" not in err


def test_the_corpus_is_wide_and_each_case_changes_something(tmp_path: Path) -> None:
    names = [case.name for case in CASES]
    assert len(set(names)) == len(names) >= 200
    for case in CASES:
        case.write(tmp_path)
        written = {name: (tmp_path / name).read_bytes() for name in SOUND if (tmp_path / name).exists()}
        assert written != {name: text.encode() for name, text in SOUND.items()}, case.name
        for name in SOUND:
            (tmp_path / name).unlink(missing_ok=True)


def test_letters_that_the_font_lacks_are_one_warning(tmp_path: Path) -> None:
    from phenofit.files.pictures import save_figure
    from phenofit.records import records_figure

    (case,) = (one for one in CASES if one.name == "encoding: a site in another script")
    figure = records_figure(list(survey_study(case.write(tmp_path)).records.values()))
    with pytest.warns(PhenofitWarning, match="the font of the figures lacks '試', '験'"):
        save_figure(figure, tmp_path / "records.png")
