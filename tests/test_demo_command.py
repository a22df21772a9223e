"""``phenofit demo`` copies its study, and never over a file of the user's."""

from __future__ import annotations

from pathlib import Path

import pytest

from phenofit.cli import main
from phenofit.cli.commands.demo import copy_demo
from phenofit.errors import DataError
from phenofit.files.bundled import bundled_path


def _files(folder: Path) -> dict[str, bytes]:
    return {
        p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()
    }


def test_the_copy_is_the_bundled_study(tmp_path: Path) -> None:
    study = copy_demo(tmp_path / "new" / "demo")
    assert study == tmp_path / "new" / "demo" / "study.toml"
    assert _files(study.parent) == _files(bundled_path("demo"))


def test_an_unchanged_copy_with_results_may_be_run_again(tmp_path: Path) -> None:
    copy_demo(tmp_path)
    (tmp_path / "report.html").write_text("the page of the last run")
    copy_demo(tmp_path)
    assert (tmp_path / "report.html").read_text() == "the page of the last run"


def test_a_changed_file_is_kept_and_named(tmp_path: Path) -> None:
    copy_demo(tmp_path)
    (tmp_path / "study.toml").write_text("mine")
    with pytest.raises(DataError, match=r"differ from the demo's: study\.toml.*choose another folder"):
        copy_demo(tmp_path)
    assert (tmp_path / "study.toml").read_text() == "mine"


def test_a_folder_of_other_files_is_left_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "thesis.txt").write_text("mine")
    assert main(["demo", "--copy-only", "--out", str(tmp_path)]) == 2
    assert "the folder holds files" in capsys.readouterr().err
    assert _files(tmp_path) == {"thesis.txt": b"mine"}


def test_a_copy_that_was_stopped_midway_is_completed(tmp_path: Path) -> None:
    copy_demo(tmp_path)
    (tmp_path / "study.toml").unlink()
    copy_demo(tmp_path)
    assert _files(tmp_path) == _files(bundled_path("demo"))


def test_a_file_of_that_name_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "demo").write_text("mine")
    with pytest.raises(DataError, match="a file of this name"):
        copy_demo(tmp_path / "demo")
    assert (tmp_path / "demo").read_text() == "mine"
