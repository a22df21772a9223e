"""``phenofit fit`` as a user types it."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from phenofit.cli import main
from phenofit.files.bundled import bundled_path
from phenofit.flight import FlightFit
from tests.validate.study_files import write_study


def test_fit_prints_and_writes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    study = bundled_path("demo") / "study.toml"
    assert main(["fit", str(study), "--species", "banded stalk borer", "--out", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert "single sine" in said
    assert "degC d" in said
    with (tmp_path / "flights.csv").open(newline="") as stream:
        rows = {(r["parameter"], r["flight"]): r for r in csv.DictReader(stream)}
    fit = FlightFit.from_json(tmp_path / "fit-banded-stalk-borer.json")
    assert float(rows["base", ""]["estimate"]) == pytest.approx(fit.base)
    assert (
        float(rows["requirement", "1"]["low"]) < fit.requirement() < float(rows["requirement", "1"]["high"])
    )
    assert rows["base", ""]["unit"] == "degC"


def test_fit_tells_what_it_chose(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_study(tmp_path)
    asked = '[flights]\ncount = [1, 2]\ncurve = ["normal", "logistic"]\nbase = "50 degF"\n'
    path.write_text(path.read_text("utf-8") + asked, encoding="utf-8")
    assert main(["fit", str(path)]) == 0
    said = capsys.readouterr().out
    assert "flights choice: Two flights against one flight: AIC" in said
    assert "chosen by AIC on the records fitted" in said


def test_fit_of_an_absent_study_is_one_line(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["fit", str(tmp_path / "none.toml")]) == 2
    assert len(capsys.readouterr().err.strip().splitlines()) == 1
    assert not list(tmp_path.iterdir())
