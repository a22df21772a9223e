"""The command ``phenofit map``."""

from __future__ import annotations

from pathlib import Path

import pytest
import xarray as xr

from phenofit.cli import main

from .tables import invented_validation


def test_map_from_a_validation_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    invented_validation(sites=40, years=6, seed=4).table.to_csv(tmp_path / "validation.csv", index=False)
    code = main(
        [
            "map",
            str(tmp_path / "validation.csv"),
            "--out",
            str(tmp_path / "out"),
            "--cell-km",
            "8",
            "--invented",
        ]
    )
    said = capsys.readouterr().out
    assert code == 0
    assert "40 sites" in said
    names = {p.name for p in (tmp_path / "out").iterdir()}
    assert names == {
        "error_map.nc",
        "error_map.tif",
        "sites.geojson",
        "error_map.html",
        "figures",
        "run.json",
    }
    figures = {p.name for p in (tmp_path / "out" / "figures").iterdir()}
    assert {"map_bias.png", "map_rmse.svg", "map_coverage.png", "map_next_trap.png"} <= figures
    dataset = xr.load_dataset(tmp_path / "out" / "error_map.nc", engine="netcdf4", decode_timedelta=False)
    assert dataset.attrs["invented_data"] == "yes"
    assert dataset.attrs["cell_m"] == 8000.0


@pytest.mark.parametrize(
    ("extra", "message"),
    [
        (["--forecaster", "nobody"], "no row has forecaster 'nobody'; there is 'fitted', 'calendar mean'"),
        (["--drift", "elevation"], "give an elevation grid"),
        (["--region", "nowhere.geojson"], "nowhere.geojson: the file does not exist"),
    ],
)
def test_bad_calls_give_one_message_and_write_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], extra: list[str], message: str
) -> None:
    invented_validation(sites=10, years=3).table.to_csv(tmp_path / "validation.csv", index=False)
    code = main(["map", str(tmp_path / "validation.csv"), "--out", str(tmp_path / "out"), *extra])
    captured = capsys.readouterr()
    assert code == 2
    assert message in captured.err
    assert "Traceback" not in captured.err
    assert not (tmp_path / "out").exists()


def test_absent_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["map", str(tmp_path / "none.csv"), "--out", str(tmp_path / "out")]) == 2
    assert "the file does not exist" in capsys.readouterr().err


def test_dates_need_a_fit_of_the_study(
    tmp_path: Path, root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study = str(root / "datasets" / "demo" / "study.toml")
    assert main(["map", study, "--dates", "--out", str(tmp_path)]) == 2
    assert "choose one with --species" in capsys.readouterr().err
    assert main(["map", study, "--dates", "--out", str(tmp_path), "--species", "banded stalk borer"]) == 2
    assert (
        "fit-banded-stalk-borer.json: there is no fit file. Make it with: phenofit fit"
        in capsys.readouterr().err
    )
    assert not list(tmp_path.iterdir())


def test_study_without_its_validation_table(
    tmp_path: Path, root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["map", str(root / "datasets" / "demo" / "study.toml"), "--out", str(tmp_path)]) == 2
    assert "Make it with: phenofit validate" in capsys.readouterr().err
