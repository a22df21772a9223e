"""The same inputs give the same bytes: whatever the number of workers and threads, and in any order of the rows."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from phenofit.flight.likelihood import log_likelihood
from phenofit.run import run_study
from tests.validate.study_files import write_study

TABLES = ("flights.csv", "thresholds.csv", "validation.csv", "scores.csv")


def _shuffled(folder: Path) -> Path:
    """Put the rows of every table of a study into another order."""
    for number, path in enumerate(sorted(folder.glob("*.csv"))):
        head, *rows = path.read_text(encoding="utf-8").splitlines()
        random.Random(number).shuffle(rows)
        path.write_text("\n".join([head, *rows, ""]), encoding="utf-8")
    return folder / "study.toml"


def _without_run(path: Path) -> Iterator[str]:
    """Give the lines of a table without its last column, the identifier of the run: it names the input files."""
    for line in path.read_text(encoding="utf-8").splitlines():
        yield line.rpartition(",")[0]


@pytest.mark.slow
def test_every_file_of_a_run_whatever_the_workers_and_threads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = write_study(tmp_path)
    run_study(study, out=tmp_path / "two", workers=2)
    monkeypatch.setattr(log_likelihood, "_THREADS", 1)
    run_study(study, out=tmp_path / "one", workers=1)
    names = {str(p.relative_to(tmp_path / "two")) for p in (tmp_path / "two").rglob("*") if p.is_file()}
    assert {"report.html", "field.html", "run.json", *TABLES} <= names
    for name in sorted(names):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes(), name


@pytest.mark.slow
def test_tables_of_a_run_whatever_the_order_of_rows(tmp_path: Path) -> None:
    for name in ("as written", "shuffled"):
        (tmp_path / name).mkdir()
        study = write_study(tmp_path / name)
        if name == "shuffled":
            before = (study.parent / "catches.csv").read_bytes()
            _shuffled(study.parent)
            assert (study.parent / "catches.csv").read_bytes() != before
        run_study(study, out=tmp_path / name / "out", workers=2)
    for table in TABLES:
        one, two = (
            list(_without_run(tmp_path / name / "out" / table)) for name in ("as written", "shuffled")
        )
        assert one == two, table
