"""Calls of ``phenofit init``: what is refused, what is never written, what an interruption leaves."""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path

import pytest

from phenofit.cli import main
from phenofit.files import write_text
from phenofit.starting.questions import Question, quoted
from phenofit.study.load import load_leniently
from tests.starting import file_sets

EMPTY = ["--answer", "study.species=borer", "--answer", "weather.unit=degC"]
LONG = ["--answer", "catches.blank=zero", "--answer", "study.species=borer"]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "mine"
    place.mkdir()
    file_sets.long_month_first(place)
    return place


def _names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.rglob("*"))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (["DIR/nowhere"], "the file does not exist. Check the name; for a new folder with empty tables, add --empty."),
        (["DIR", "DIR/weather.csv"], "is a folder; name one folder, or files only"),
        (["DIR/weather.csv", "--empty"], "--empty takes one folder and no files"),
        (["DIR", "DIR", "--empty"], "--empty takes one folder and no files"),
        (["DIR", "--answer", "zero"], "--answer 'zero' is no name and value, such as catches.blank=zero"),
        (["DIR", "--answer", "a=1", "--answer", "a=2"], "'a' is answered twice"),
        (["DIR", "--answers", "DIR/nowhere.toml"], "nowhere.toml: the file does not exist. Name a file of answers"),
        (["DIR", "--answers", "DIR/plots.csv"], "plots.csv: this is not valid TOML"),
        (["DIR", "--answer", "catches.blank=none"],
         "'catches.blank': 'none' is not accepted. Accepted: \"not checked\", \"zero\"."),
        (["DIR", "--answer", "catches.blank=zeros"], "Did you mean 'zero'?"),
        (["DIR", "--answer", "catches.blank=zero,not checked"], "'catches.blank': 2 answers were given"),
        (["DIR", *LONG, "--answer", "catches.blnk=zero"], "no question has the name 'catches.blnk'"),
        (["DIR", "--answer", "catches.blnk=zero"], "No question so far has the name 'catches.blnk'."),
        (["DIR", "--answer", "study.species=con", "--answer", "catches.blank=zero"], "'con' is reserved for a device"),
        (["DIR", *LONG, "--answer", "catches.columns.count=Moth"], "Did you mean 'Moths'?"),
        (["DIR/notes.md"], "notes.md"),
    ],
)  # fmt: skip
def test_a_wrong_call_is_one_message_and_writes_nothing(
    call: list[str], message: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "notes.md").write_text("a,b\n1\n", "utf-8")
    before = _names(folder)
    assert main(["init", *(word.replace("DIR", str(folder)) for word in call)]) == 2
    error = capsys.readouterr().err
    assert message in error
    assert "Traceback" not in error
    assert _names(folder) == before


def test_a_study_that_is_there_is_not_overwritten_and_nothing_is_asked(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "study.toml").write_text("mine", "utf-8")
    assert main(["init", str(folder), *LONG]) == 2
    shown = capsys.readouterr()
    assert "study.toml: the file exists already. Nothing was written." in shown.err
    assert shown.out == ""
    assert (folder / "study.toml").read_text("utf-8") == "mine"


def test_an_empty_folder_gets_tables_to_be_filled_in(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    new = tmp_path / "new"
    assert main(["init", str(new), "--empty", *EMPTY]) == 0
    tables = ["catches.csv", "stations.csv", "study.toml", "traps.csv", "weather.csv"]
    assert _names(new) == tables
    assert f"next: phenofit check {new / 'study.toml'}" in capsys.readouterr().out
    (tmp_path / "bare").mkdir()
    assert main(["init", str(tmp_path / "bare"), *EMPTY]) == 0
    assert _names(tmp_path / "bare") == tables
    # The same records, filled in below the headers, are a study without problems.
    hand = tmp_path / "hand"
    hand.mkdir()
    file_sets.by_hand(hand, set_dates=True, lures=False)
    for name in ("traps", "catches", "weather", "stations"):
        template = (new / f"{name}.csv").read_text("utf-8")
        header, rows = (hand / f"{name}.csv").read_text("utf-8").split("\n", 1)
        if name == "catches":
            cells = [row.split(",") for row in rows.splitlines()]
            rows = "".join(f"{trap},{set_},{date},{count}\n" for trap, date, set_, count in cells)
            header = "trap,set,date,count"
        assert template.endswith(f"\n{header}\n")
        (new / f"{name}.csv").write_text(template + rows, "utf-8")
    assert main(["check", str(new / "study.toml")]) == 0


def test_the_example_row_of_an_empty_table_fits_its_header(tmp_path: Path) -> None:
    assert main(["init", str(tmp_path), "--empty", *EMPTY]) == 0
    for path in tmp_path.glob("*.csv"):
        *_, example, header = path.read_text("utf-8").splitlines()
        assert example.startswith("# example: ")
        assert len(example.split(",")) == len(header.split(","))


def test_files_that_are_named_are_taken_and_paths_are_relative_to_the_study(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "old catches.csv").write_text("trap,date,count\nA,2001-01-01,1\n", "utf-8")
    named = [str(folder / f"{name}.csv") for name in ("trapping", "plots", "weather", "stations")]
    out = tmp_path / "studies" / "one"
    assert main(["init", *named, "--out", str(out), *LONG]) == 0
    study = tomllib.loads((out / "study.toml").read_text("utf-8"))
    assert study["catches"]["file"] == "../../mine/trapping.csv"
    assert study["weather"]["files"] == ["../../mine/weather.csv"]


def test_what_is_no_table_is_named_in_a_folder_and_refused_by_name(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "notes.txt").write_text('He said "no', "utf-8")
    assert main(["init", str(folder), *LONG]) == 0
    assert "notes.txt was left aside, since it cannot be read as a table" in capsys.readouterr().out
    (folder / "study.toml").unlink()
    assert main(["init", str(folder / "notes.txt"), str(folder / "trapping.csv")]) == 2


def test_an_interruption_while_files_are_written_leaves_none(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "plots.csv").unlink()
    before = _names(folder)
    done = []

    def interrupted(path: Path, text: str) -> None:
        done.append(path.name)
        if len(done) == 2:
            raise KeyboardInterrupt
        write_text(path, text)

    monkeypatch.setattr("phenofit.starting.writing.write_text", interrupted)
    assert main(["init", str(folder), *LONG]) == 130
    assert done == ["traps.csv", "study.toml"]
    assert _names(folder) == before


@pytest.mark.skipif(sys.platform == "win32", reason="pexpect needs a pseudo-terminal, which Windows lacks")
@pytest.mark.parametrize(("key", "code"), [("interrupt", 130), ("end of input", 2)])
def test_leaving_the_questions_writes_nothing(key: str, code: int, folder: Path) -> None:
    import pexpect

    before = _names(folder)
    call = ["-m", "phenofit", "init", str(folder)]
    child = pexpect.spawn(sys.executable, call, encoding="utf-8", timeout=60)
    child.expect_exact("catches.blank (number or name): ")
    child.sendintr() if key == "interrupt" else child.sendeof()
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == code
    assert _names(folder) == before


def test_a_table_to_be_filled_in_is_named_and_the_check_says_what_is_missing(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "plots.csv").unlink()
    assert main(["init", str(folder), *LONG]) == 2
    shown = capsys.readouterr()
    assert f"to be filled in: {folder / 'traps.csv'}" in shown.out
    assert f"next: phenofit check {folder / 'study.toml'}" in shown.out
    assert "traps.csv" in shown.err
    assert "latitude" in shown.err


def test_every_alternative_in_a_comment_is_a_key_that_is_known(folder: Path) -> None:
    assert main(["init", str(folder), *LONG]) == 0
    path = folder / "study.toml"
    text = path.read_text("utf-8")
    lines = text.splitlines()
    keys = [
        i for i, line in enumerate(lines) if line.startswith("# ") and " = " in line and '"# ' not in line
    ]
    alone = [i for i in keys if not _below_a_commented_table(lines, i)]
    assert len(alone) >= 12
    for i in alone:
        key = lines[i].removeprefix("# ").split(" = ")[0]
        path.write_text("\n".join([*lines[:i], lines[i].removeprefix("# "), *lines[i + 1 :]]), "utf-8")
        _, problems = load_leniently(path)
        assert not [p for p in problems if "not known" in p.finding or "not accepted" in p.finding], key
    whole = [
        line.removeprefix("# ") if _below_a_commented_table(lines, i) else line
        for i, line in enumerate(lines)
    ]
    path.write_text("\n".join(whole), "utf-8")
    study, problems = load_leniently(path)
    assert not problems
    assert study is not None
    assert [row.id for row in study.published] == ["mine"]
    assert study.map.cell_km == 4


def _below_a_commented_table(lines: list[str], i: int) -> bool:
    """Return whether a line stands in a table whose header is a comment, or is that header."""
    while i >= 0 and lines[i].startswith("# "):
        if lines[i].startswith("# ["):
            return True
        i -= 1
    return False


@pytest.mark.parametrize(
    "text", ['a"b', "back\\slash", "tab\t", "line\nbreak", "del\x7f", "é ∑ 𝄞", "\x00\x1f", "'x'"]
)
def test_every_text_is_escaped(text: str) -> None:
    assert tomllib.loads(f"key = {quoted(text)}")["key"] == text


def test_a_question_is_a_file_of_answers() -> None:
    question = Question('catches.word.n.d. "x"', "What?", ("It is.",), {"lost": "gone"})
    blank = question.as_toml()
    assert tomllib.loads(blank) == {"catches": {"word": {'n.d. "x"': ""}}}
    assert question.fault(("lost",)) is None
    assert question.fault(("found",)) is not None
    assert question.fault(()) is not None
