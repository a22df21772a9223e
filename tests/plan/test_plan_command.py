"""The command plan, called as a user calls it, on a small invented study."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from phenofit.cli import main
from phenofit.plan import PLAN_COLUMNS
from tests.validate.study_files import NORMAL, write_study


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_study(tmp_path_factory.mktemp("plan"), more=NORMAL)


def test_plan_from_a_study_and_from_its_fit(
    study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    sizes = ["--sites", "4,8", "--years", "3,5", "--checks-per-week", "1", "--moths", "60"]
    assert main(["plan", str(study), *sizes, "--out", str(tmp_path / "a")]) == 0
    out, steps = capsys.readouterr()
    assert "network drawn" not in steps  # Nobody looks: the error stream is no terminal.
    assert "Taken to be true: base" in out
    assert "8 sites, 5 years, checks a week: 1, 60 moths, flight 1: base ± " in out
    table = pd.read_csv(tmp_path / "a" / "plan.csv")
    assert list(table.columns) == ["species", *PLAN_COLUMNS, "invented", "run"]
    assert table["invented"].all()
    assert table[["sites", "years"]].to_numpy().tolist() == [[4, 3], [4, 5], [8, 3], [8, 5]]
    # Three years leave the base open in most networks of four sites.
    assert (table["base_width_degC"].dropna() > 0).all()
    assert "its interval is open in half of such networks or more." in out
    assert table["simulated_base_width_degC"].isna().all()
    assert (tmp_path / "a" / "plan.png").read_bytes()[:4] == b"\x89PNG"
    assert main(["fit", str(study), "--out", str(tmp_path)]) == 0
    fit = next(tmp_path.glob("fit-*.json"))
    folder = study.parent
    given = [
        "--weather",
        str(folder / "weather.csv"),
        "--stations",
        str(folder / "stations.csv"),
        "--unit",
        "degC",
    ]
    largest = ["--sites", "8", "--years", "5", *sizes[4:]]
    monkeypatch.setattr("phenofit.cli.progress_lines.shows_steps", lambda: True)
    assert main(["plan", str(fit), *given, *largest, "--out", str(tmp_path / "b")]) == 0
    assert "s] network drawn for its information (2 of " in capsys.readouterr().err
    (again,) = pd.read_csv(tmp_path / "b" / "plan.csv").to_dict("records")
    # The same values and weather: the same plan, but for the last digits that a fit with profiles may move.
    for name in ("base_width_degC", "requirement_width_degC_d"):
        assert again[name] == pytest.approx(table[name].iloc[-1], rel=0.02)


def test_a_call_that_is_wrong_is_told(
    study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fit = tmp_path / "fit.json"
    fit.write_text("{}", encoding="utf-8")
    assert main(["plan", str(fit), "--out", str(tmp_path)]) == 2
    assert "schema" in capsys.readouterr().err
    assert main(["plan", str(study), "--sites", "4,many"]) == 2
    assert "'4,many' is not a list of whole numbers above 0" in capsys.readouterr().err
    assert main(["plan", str(study), "--checks-per-week", "9", "--out", str(tmp_path)]) == 2
    assert "9 checks a week cannot be planned" in capsys.readouterr().err
    assert not (tmp_path / "plan.csv").exists()
