"""The invented study that is stored is the one that the generator writes, and it holds what it says it holds."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pandas as pd
import pytest

from tests.making.demo_study import main, write_demo

STORED = Path(__file__).parents[2] / "datasets" / "demo"
FILES = (
    "README.md",
    "catches.csv",
    "stage_lags.csv",
    "stations.csv",
    "study.toml",
    "traps.csv",
    "truth.json",
    "weather.csv",
)


def test_generator_gives_the_stored_bytes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--out", str(tmp_path)]) == 0
    assert "invented study" in capsys.readouterr().out
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(FILES)
    for name in FILES:
        assert (tmp_path / name).read_bytes() == (STORED / name).read_bytes(), name
    assert sum((STORED / name).stat().st_size for name in FILES) < 2_500_000


def test_another_seed_gives_another_network_at_the_same_sites(tmp_path: Path) -> None:
    write_demo(tmp_path, seed=1)
    assert (tmp_path / "catches.csv").read_bytes() != (STORED / "catches.csv").read_bytes()
    assert (tmp_path / "study.toml").read_bytes() == (STORED / "study.toml").read_bytes()


def test_size_of_the_network_and_its_faults() -> None:
    traps = pd.read_csv(STORED / "traps.csv")
    catches = pd.read_csv(STORED / "catches.csv", dtype=str)
    checked = pd.to_datetime(catches["checked"])
    assert 20 <= traps["site"].nunique() <= 30
    assert checked.dt.year.nunique() == 8
    assert catches.groupby("species")["trap"].nunique().to_dict() == {
        "banded stalk borer": 18,
        "dusky leaf feeder": 8,
    }
    assert catches["moths"].isna().sum() > 50, "checks that were not made"
    assert (catches["moths"] == "lost").sum() > 10, "traps found gone"
    steps = set(checked.groupby([catches["trap"], checked.dt.year]).diff().dropna())
    assert {pd.Timedelta(days=days) for days in (3, 4, 7)} <= steps, "weekly and twice a week"


def test_station_gaps_are_absent_lines_and_told_in_the_truth() -> None:
    weather = pd.read_csv(STORED / "weather.csv")
    days = pd.to_datetime(weather["date"])
    whole = (days.max() - days.min()).days + 1
    short = whole - weather.groupby("station").size()
    truth = json.loads((STORED / "truth.json").read_text(encoding="utf-8"))
    told: dict[str, int] = {}
    for gap in truth["weather_taken_out"]:
        told[gap["station"]] = (pd.Timestamp(gap["last"]) - pd.Timestamp(gap["first"])).days + 1
    assert short[short > 0].to_dict() == told


def test_everything_is_marked_as_invented() -> None:
    study = tomllib.loads((STORED / "study.toml").read_text(encoding="utf-8"))
    assert study["study"]["invented"] is True
    assert {row["source"] for row in study["published"]} == {"invented"}
    assert json.loads((STORED / "truth.json").read_text(encoding="utf-8"))["invented"] is True
    assert "invented" in (STORED / "README.md").read_text(encoding="utf-8").splitlines()[0]
    assert set(study["study"]["species"]) == set(json.loads((STORED / "truth.json").read_text())["species"])
