"""The demo study from its file to its page, as a user runs it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.analysis.outputs import FLIGHT_COLUMNS, THRESHOLD_FILE_COLUMNS
from phenofit.cli import main
from phenofit.files import file_hash
from phenofit.files.bundled import bundled_path
from phenofit.flight import FlightFit

pytestmark = pytest.mark.slow

BORER, FEEDER = "banded stalk borer", "dusky leaf feeder"


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    assert main(["demo", "--quiet", "--out", str(folder)]) == 0
    return folder


@pytest.fixture(scope="module")
def truth(demo: Path) -> dict[str, dict[tuple[str, int | None], float]]:
    found = json.loads((demo / "truth.json").read_text("utf-8"))
    return {
        species: {(p["parameter"], p["flight"]): p["value"] for p in part["parameters"]}
        for species, part in found["species"].items()
    }


def test_everything_is_at_its_fixed_name(demo: Path) -> None:
    names = {p.name for p in demo.iterdir()}
    inputs = {p.name for p in bundled_path("demo").iterdir() if p.name != "__pycache__"}
    assert names - inputs == {
        "report.html",
        "field.html",
        "flights.csv",
        "fit-banded-stalk-borer.json",
        "fit-dusky-leaf-feeder.json",
        "thresholds.csv",
        "validation.csv",
        "scores.csv",
        "error_map.nc",
        "error_map-banded-stalk-borer.nc",
        "error_map-dusky-leaf-feeder.nc",
        "figures",
        "run.json",
    }
    for name in inputs:
        assert (demo / name).read_bytes() == (bundled_path("demo") / name).read_bytes()


def test_the_intervals_hold_the_truth(
    demo: Path, truth: dict[str, dict[tuple[str, int | None], float]]
) -> None:
    # Source of the true values: truth.json, written by the generator of the catches.
    table = pd.read_csv(demo / "flights.csv")
    assert tuple(table.columns) == FLIGHT_COLUMNS
    seen = 0
    for row in table.to_dict("records"):
        flight = None if np.isnan(row["flight"]) else int(row["flight"])
        if row["parameter"] not in ("base", "requirement", "spread"):
            continue
        value = truth[row["species"]][row["parameter"], flight]
        low = -np.inf if np.isnan(row["low"]) else row["low"]
        high = np.inf if np.isnan(row["high"]) else row["high"]
        assert low <= value <= high, row
        seen += 1
    assert seen == 3 + 5


def test_fit_files_give_back_the_table(demo: Path) -> None:
    table = pd.read_csv(demo / "flights.csv")
    fit = FlightFit.from_json(demo / "fit-dusky-leaf-feeder.json")
    mine = table[(table["species"] == FEEDER) & (table["parameter"] == "requirement")]
    assert mine["estimate"].tolist() == pytest.approx([fit.requirement(1), fit.requirement(2)], rel=1e-9)
    assert fit.converged


def test_the_wrong_published_threshold_is_refuted_and_the_right_one_is_not(demo: Path) -> None:
    table = pd.read_csv(demo / "thresholds.csv")
    assert tuple(table.columns) == THRESHOLD_FILE_COLUMNS
    verdict = table[table["kind"] == "published"].set_index("id")["verdict"]
    assert verdict["borer-elsewhere"] == "not consistent"
    assert verdict["borer-bulletin"] in ("consistent", "cannot tell")
    fitted = table[table["kind"] == "fitted"]
    assert set(fitted["unit"]) == {"degC d"}
    assert fitted[["base", "method", "start"]].notna().to_numpy().all()
    for _, flight in fitted.groupby(["species", "flight"]):
        assert flight["amount"].is_monotonic_increasing


def test_held_out_forecasts_beat_the_calendar(demo: Path) -> None:
    table = pd.read_csv(demo / "validation.csv", parse_dates=["predicted", "observed_from", "observed_to"])
    half = table[(table["event"] == "flight_50") & table["lead_days"].isna()]
    error = (
        half.assign(size=half["error_days"].abs()).groupby(["species", "flight", "forecaster"])["size"].mean()
    )
    for species, flight in ((BORER, 1), (FEEDER, 1), (FEEDER, 2)):
        assert error[species, flight, "fitted"] < error[species, flight, "calendar mean"]
    # The sign: predicted after observed is positive.
    late = half["predicted"] > half["observed_to"]
    early = half["predicted"] < half["observed_from"]
    assert (half.loc[late, "error_days"] > 0).all()
    assert (half.loc[early, "error_days"] < 0).all()


def test_the_map_is_a_cf_file(demo: Path) -> None:
    with xr.open_dataset(demo / "error_map.nc") as found:
        assert str(found.attrs["Conventions"]).startswith("CF-")
        assert found["mean_error"].attrs["units"] == "day"
        assert np.isfinite(found["mean_error"]).any()
        assert (found["mean_error_se"].fillna(1.0) > 0).all()


def test_the_page_says_what_it_is(demo: Path) -> None:
    page = (demo / "report.html").read_text("utf-8")
    assert "nvented data" in page
    assert len(page) < 3_000_000
    for text in ("borer-elsewhere", "not consistent", BORER, FEEDER):
        assert text in page
    assert "<script src" not in page
    assert "http://" not in page.replace("http://www.w3.org", "")


def test_every_output_names_its_run(demo: Path) -> None:
    manifest = json.loads((demo / "run.json").read_text("utf-8"))
    assert manifest["complete"] is True
    inputs = {p.name for p in bundled_path("demo").iterdir()}
    written = {
        p.relative_to(demo).as_posix()
        for p in demo.rglob("*")
        if p.is_file() and p.relative_to(demo).as_posix() not in inputs
    }
    assert set(manifest["files"]) == written - {"run.json"}
    for name, digest in manifest["files"].items():
        assert file_hash(demo / name) == digest
    run = manifest["run"]
    for name in ("flights.csv", "thresholds.csv", "validation.csv", "scores.csv"):
        table = pd.read_csv(demo / name, dtype={"run": str})
        assert list(table.columns)[-1] == "run"
        assert set(table["run"]) == {run}
    for path in demo.glob("error_map*.nc"):
        with xr.open_dataset(path) as found:
            assert found.attrs["run"] == run
    for path in demo.glob("fit-*.json"):
        assert json.loads(path.read_text("utf-8"))["provenance"]["run"] == run
    assert f"<dt>run</dt><dd>{run}</dd>" in (demo / "report.html").read_text("utf-8")


def test_a_second_run_gives_the_same_bytes(demo: Path, tmp_path: Path) -> None:
    assert main(["run", str(demo / "study.toml"), "--quiet", "--out", str(tmp_path)]) == 0
    for first in sorted(p for p in demo.rglob("*") if p.is_file()):
        second = tmp_path / first.relative_to(demo)
        if not second.exists():
            assert (bundled_path("demo") / first.relative_to(demo)).exists()  # an input, not a result
        elif second.suffix != ".nc":  # the library of NetCDF files promises no fixed layout
            assert second.read_bytes() == first.read_bytes(), first.name
        else:
            with xr.open_dataset(first) as one, xr.open_dataset(second) as other:
                xr.testing.assert_identical(one, other)
