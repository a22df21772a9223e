"""Three folders of files become studies that pass their check and hold the records of a study written by hand."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pytest

from phenofit.cli import main
from phenofit.study import read_records
from tests.starting import file_sets
from tests.starting.file_sets import MOTH


@dataclass(frozen=True)
class FileSet:
    """A folder of files, what the hand-written study holds, and the questions with their answers in order."""

    write: Callable[[Path], None]
    set_dates: bool
    lures: bool
    answers: tuple[tuple[str, str], ...]


SETS = {
    "long, month-first": FileSet(
        file_sets.long_month_first, True, False, (("catches.blank", "not checked"), ("study.species", MOTH))
    ),
    "wide, semicolons": FileSet(
        file_sets.wide_semicolon,
        False,
        False,
        (("catches.blank", "not checked"), ("catches.start", "check before"), ("study.species", MOTH)),
    ),
    "lures and blanks": FileSet(
        file_sets.lures_and_blanks,
        False,
        True,
        (
            ("catches.blank", "not checked"),
            ("catches.duplicates", "Lure"),
            ("catches.start", "check before"),
            ("study.species", MOTH),
        ),
    ),
}


@pytest.fixture(params=sorted(SETS))
def files(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[FileSet, Path]:
    name = str(request.param)
    folder = tmp_path / "mine"
    folder.mkdir()
    SETS[name].write(folder)
    return SETS[name], folder


def _trap_years(study: Path) -> pd.DataFrame:
    (records,) = read_records(study).values()
    intervals = records.trap_years.intervals.drop(columns="row")
    return intervals.sort_values(["trap", "start"], ignore_index=True)


def _same_as_by_hand(chosen: FileSet, study: Path, folder: Path) -> None:
    folder.mkdir()
    hand = file_sets.by_hand(folder, set_dates=chosen.set_dates, lures=chosen.lures)
    mine, theirs = read_records(study)[MOTH], read_records(hand)[MOTH]
    pd.testing.assert_frame_equal(_trap_years(study), _trap_years(hand))
    # Two decimals of a degree Fahrenheit carry one decimal of a degree Celsius.
    difference = abs(mine.weather[["tmin", "tmax"]] - theirs.weather[["tmin", "tmax"]])
    assert float(difference.to_dataarray().max()) < 0.006
    assert mine.links["station"].tolist() == theirs.links["station"].tolist()


def test_by_a_file_of_answers(
    files: tuple[FileSet, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    chosen, folder = files
    answers = tmp_path / "answers.toml"
    answers.write_text("".join(f'{name} = "{answer}"\n' for name, answer in chosen.answers), "utf-8")
    assert main(["init", str(folder), "--answers", str(answers)]) == 0
    shown = capsys.readouterr()
    assert shown.out.splitlines()[-1] == f"next: phenofit run {folder / 'study.toml'}"
    assert main(["check", str(folder / "study.toml")]) == 0
    _same_as_by_hand(chosen, folder / "study.toml", tmp_path / "hand")


def test_every_open_question_is_listed_with_its_answers(
    files: tuple[FileSet, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    chosen, folder = files
    before = sorted(path.name for path in folder.iterdir())
    assert main(["init", str(folder)]) == 2
    listed = capsys.readouterr().err
    # The list is itself a file of answers, once they are filled in.
    for name, answer in chosen.answers:
        assert f'\n{name} = ""' in listed
        listed = listed.replace(f'{name} = ""', f'{name} = "{answer}"')
    assert sorted(path.name for path in folder.iterdir()) == before
    answers = tmp_path / "answers.toml"
    answers.write_text(listed.split("\n", 1)[1], "utf-8")
    assert main(["init", str(folder), "--answers", str(answers)]) == 0


@pytest.mark.skipif(sys.platform == "win32", reason="pexpect needs a pseudo-terminal, which Windows lacks")
def test_in_a_terminal(files: tuple[FileSet, Path], tmp_path: Path) -> None:
    import pexpect

    chosen, folder = files
    call = ["-m", "phenofit", "init", str(folder)]
    child = pexpect.spawn(sys.executable, call, encoding="utf-8", timeout=60, dimensions=(60, 250))
    asked = []
    for name, answer in chosen.answers:
        found = child.expect([r"\r\n([\w.]+)(?: \(number or name[^)]*\))?: ", pexpect.EOF])
        assert found == 0, child.before
        asked.append(child.match.group(1))
        assert asked[-1] == name
        if name == "catches.blank":
            child.sendline("perhaps")
            child.expect_exact("'perhaps' is not accepted.")
            child.expect_exact("catches.blank (number or name): ")
            child.sendline("1")  # the number of the first choice, "not checked"
        else:
            child.sendline(answer)
    child.expect(pexpect.EOF)
    assert f"next: phenofit run {folder / 'study.toml'}" in child.before
    child.close()
    assert child.exitstatus == 0
    _same_as_by_hand(chosen, folder / "study.toml", tmp_path / "hand")
