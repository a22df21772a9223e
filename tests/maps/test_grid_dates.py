"""The date map of every cell of a grid: against the map of stations, in any blocks, after a stop, on a cluster, on the command line."""

from __future__ import annotations

from concurrent.futures import Executor, Future
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr

from phenofit.cli import main
from phenofit.cluster import cluster_executor
from phenofit.errors import DataError, ModelError
from phenofit.heat import accumulate, dates_reaching, degree_days
from phenofit.maps import grid_date_map, grid_dates
from phenofit.maps.cell_dates import CellDates
from tests.clusters import local_cluster
from tests.forecast.fits import small_fit
from tests.maps.test_dates import invented_weather

pytest.importorskip("dask", reason="the extra 'dask' is not installed")
pytest.importorskip("zarr", reason="the extra 'dask' is not installed")

SETTINGS: dict[str, Any] = {
    "event": "flight_50",
    "flight": 1,
    "year": None,
    "level": 0.8,
    "draws": 60,
    "seed": 1,
}


def invented_grid(last: str = "2018-12-31", *, unit: str = "degC") -> xr.Dataset:
    """A grid of 5 x 5 cells, one of them without weather."""
    stations = invented_weather("2015-01-01", last, warm={2018: 1.0})
    coords = {
        "time": stations["time"],
        "latitude": ("latitude", np.unique(stations["latitude"]), {"standard_name": "latitude"}),
        "longitude": ("longitude", np.unique(stations["longitude"]), {"standard_name": "longitude"}),
    }
    fields = {}
    for name in ("tmin", "tmax"):
        values = stations[name].to_numpy().reshape(5, 5, -1).T.copy()
        values[:, 1, 2] = np.nan
        values += 273.15 if unit == "kelvin" else 0.0
        fields[name] = (("time", "latitude", "longitude"), values, {"units": unit})
    return xr.Dataset(fields, coords)


@pytest.fixture
def grid(tmp_path: Path) -> Path:
    path = tmp_path / "weather.zarr"
    invented_grid().chunk({"time": -1, "latitude": 2, "longitude": 5}).to_zarr(path, zarr_format=2)
    return path


@pytest.fixture
def three_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Blocks of two rows of cells, one under way at a time."""
    monkeypatch.setattr(grid_dates, "_BLOCK", 2 * 5 * 1461)
    monkeypatch.setattr(grid_dates, "_AHEAD", 1)


class _Stopping(Executor):
    """Answers at once, and stops the work after so many blocks."""

    def __init__(self, blocks: int) -> None:
        self.left = blocks
        self._max_workers = 1

    def submit(self, call: Any, /, *given: Any, **_named: Any) -> Future[Any]:
        if self.left == 0:
            raise KeyboardInterrupt
        self.left -= 1
        answer: Future[Any] = Future()
        answer.set_result(call(*given))
        return answer


def _bytes(store: Path) -> dict[str, bytes]:
    return {str(p.relative_to(store)): p.read_bytes() for p in sorted(store.rglob("*")) if p.is_file()}


def test_average_is_that_of_the_sums_of_a_cell(grid: Path, tmp_path: Path) -> None:
    found = grid_date_map(small_fit(), grid, tmp_path / "dates.zarr")
    fit, days = small_fit(), []
    for year in (2015, 2016, 2017):
        one = invented_grid().isel(latitude=3, longitude=4).sel(time=str(year))
        daily = degree_days(one["tmin"], one["tmax"], base=fit.base, method=fit.settings.heat.method)
        sums = accumulate(daily, start=fit.settings.season.start)
        moment = np.asarray(dates_reaching(sums, fit.event_amount("flight_50", 1))).ravel()[0]
        days.append((moment - np.datetime64(f"{year}-01-01")) / np.timedelta64(1, "D"))
    cell = found.isel(latitude=3, longitude=4)
    # Dates of running sums are rounded to the second.
    assert float(cell["average_event_day"]) == pytest.approx(np.mean(days), abs=2e-5)
    assert float(cell["difference_days"]) < -1.0, "2018 was warmer"
    assert found.attrs["season"] == "2018"
    assert found["event_day"].attrs["units"] == "day"


def test_a_cell_without_weather_is_empty_and_others_are_not(grid: Path, tmp_path: Path) -> None:
    found = grid_date_map(small_fit(), grid, tmp_path / "dates.zarr")
    for name in found.data_vars:
        assert np.isnan(found[name].to_numpy()).sum() == 1, name
        assert np.isnan(found[name].to_numpy()[1, 2]), name


@pytest.mark.parametrize("unit", ["kelvin", "degC"])
def test_netcdf_in_any_unit_gives_the_same_map(grid: Path, tmp_path: Path, unit: str) -> None:
    invented_grid(unit=unit).to_netcdf(tmp_path / "weather.nc")
    one = grid_date_map(small_fit(), grid, tmp_path / "a.zarr")
    two = grid_date_map(small_fit(), tmp_path / "weather.nc", tmp_path / "b.zarr")
    np.testing.assert_allclose(one["event_day"], two["event_day"], atol=1e-4)


def test_days_to_come_are_those_of_earlier_seasons() -> None:
    """By hand: two draws, two earlier seasons, known until 31 March."""
    weather = invented_grid("2018-03-31").isel(latitude=[0], longitude=[0])
    days = weather["time"].to_numpy().astype("datetime64[D]")
    asked = CellDates.of(small_fit(), days, **{**SETTINGS, "draws": 2})
    low, high = (weather[name].to_numpy().reshape(len(days), 1).T for name in ("tmin", "tmax"))
    found = asked.fields(low, high, days)
    expected = []
    for k, year in enumerate(asked.earlier[:2]):
        season = invented_grid("2018-12-31").isel(latitude=0, longitude=0)
        known, past = season.sel(time=slice("2018-01-01", "2018-03-31")), season.sel(time=str(year))
        both = [np.concatenate([known[n], past[n][90:]]) for n in ("tmin", "tmax")]
        daily = degree_days(*both, base=float(asked.drawn.base[k]), method=asked.heat.method)
        total = np.concatenate([[0.0], np.cumsum(daily)])
        expected.append(np.interp(asked.drawn.amount[k, 0], total, np.arange(total.size)))
    assert found["event_day"][0] == pytest.approx(np.mean(expected), abs=1e-6)
    assert found["reached"][0] == 1.0


def test_a_fitted_upper_threshold_counts() -> None:
    weather = invented_grid().isel(latitude=[0], longitude=[0])
    days = weather["time"].to_numpy().astype("datetime64[D]")
    low, high = (weather[name].to_numpy().reshape(len(days), 1).T for name in ("tmin", "tmax"))
    asked = CellDates.of(small_fit(), days, **SETTINGS)
    asked = replace(asked, heat=replace(asked.heat, upper=35.0))
    capped = replace(
        asked,
        drawn=replace(asked.drawn, upper=np.full(60, 18.0)),
        middle=replace(asked.middle, upper=np.array([18.0])),
    )
    for name in ("event_day", "average_event_day"):
        later = capped.fields(low, high, days)[name] - asked.fields(low, high, days)[name]
        assert later[0] > 3.0, name


@pytest.mark.usefixtures("three_blocks")
def test_a_stopped_run_goes_on_and_the_bytes_are_the_same(grid: Path, tmp_path: Path) -> None:
    grid_date_map(small_fit(), grid, tmp_path / "whole.zarr")
    out = tmp_path / "dates.zarr"
    with pytest.raises(KeyboardInterrupt):
        grid_date_map(small_fit(), grid, out, executor=_Stopping(2))
    assert not out.exists()
    said: list[str] = []
    grid_date_map(small_fit(), grid, out, executor=_Stopping(1), progress=said.append)
    assert said == ["going on after 2 blocks that were finished (2 of 3)", "block written (3 of 3)"]
    assert _bytes(out) == _bytes(tmp_path / "whole.zarr")
    assert not (tmp_path / "dates.zarr.part").exists()


@pytest.mark.usefixtures("three_blocks")
def test_a_line_that_was_not_written_whole_is_computed_again(grid: Path, tmp_path: Path) -> None:
    out, part = tmp_path / "dates.zarr", tmp_path / "dates.zarr.part"
    with pytest.raises(KeyboardInterrupt):
        grid_date_map(small_fit(), grid, out, executor=_Stopping(2))
    journal = part / "finished-blocks.txt"
    text = journal.read_text(encoding="utf-8")
    journal.write_text(text[:-4], encoding="utf-8")
    said: list[str] = []
    grid_date_map(small_fit(), grid, out, progress=said.append)
    assert said[0] == "going on after 1 blocks that were finished (1 of 3)"


@pytest.mark.usefixtures("three_blocks")
def test_the_unfinished_map_of_another_call_is_refused(grid: Path, tmp_path: Path) -> None:
    out = tmp_path / "dates.zarr"
    with pytest.raises(KeyboardInterrupt):
        grid_date_map(small_fit(), grid, out, executor=_Stopping(1))
    before = _bytes(tmp_path / "dates.zarr.part")
    with pytest.raises(DataError, match="unfinished map of another call"):
        grid_date_map(small_fit(), grid, out, seed=2)
    assert _bytes(tmp_path / "dates.zarr.part") == before
    (tmp_path / "other.zarr.part").mkdir()
    (tmp_path / "other.zarr.part" / "thesis.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(DataError, match="not an unfinished map"):
        grid_date_map(small_fit(), grid, tmp_path / "other.zarr")


def test_a_gap_an_absent_unit_and_other_cells_are_refused(tmp_path: Path) -> None:
    weather = invented_grid()
    weather.drop_isel(time=400).to_netcdf(tmp_path / "gap.nc")
    with pytest.raises(DataError, match="after 2016-02-04 comes 2016-02-06"):
        grid_date_map(small_fit(), tmp_path / "gap.nc", tmp_path / "a.zarr")
    weather["tmin"].attrs.clear()
    weather.to_netcdf(tmp_path / "unit.nc")
    with pytest.raises(ModelError, match="'tmin' of the grid has no 'units' attribute"):
        grid_date_map(small_fit(), tmp_path / "unit.nc", tmp_path / "a.zarr")
    weather["tmin"] = weather["tmax"].isel(latitude=[0], drop=True).rename(latitude="row")
    weather.to_netcdf(tmp_path / "cells.nc")
    with pytest.raises(ModelError, match="both need the same cells and days"):
        grid_date_map(small_fit(), tmp_path / "cells.nc", tmp_path / "a.zarr")
    assert not list(tmp_path.glob("a.zarr*"))


def _study(folder: Path) -> Path:
    from tests.validate.study_files import write_study

    study = write_study(folder)
    (folder / "fit.json").write_text(small_fit().to_json(), encoding="utf-8")
    return study


def test_the_command_writes_store_and_pictures(
    grid: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("pyproj", reason="the extra 'maps' is not installed")
    monkeypatch.setattr("phenofit.cli.commands.map.fit_of_species", lambda *_: small_fit())
    call = ["map", str(_study(tmp_path)), "--dates", "--fit", str(tmp_path / "fit.json"), "--grid", str(grid)]
    out = tmp_path / "dates.zarr"
    assert main([*call, "--out", str(out)]) == 0
    assert f"written: {out}" in capsys.readouterr().out
    with xr.open_zarr(out) as store:
        assert store.attrs["run"]
        assert store["event_day"].shape == (5, 5)
    for name in ("dates_date.png", "dates_against_average.svg"):
        assert (tmp_path / name).stat().st_size > 5_000
    assert main([*call, "--out", str(tmp_path / "dates")]) == 2
    assert "end --out with .zarr" in capsys.readouterr().err
    assert main([*call, "--out", str(out), "--cell-km", "2"]) == 2
    assert "--cell-km has no effect with --grid" in capsys.readouterr().err


@pytest.mark.slow
@pytest.mark.usefixtures("three_blocks")
def test_a_cluster_writes_the_same_bytes(grid: Path, tmp_path: Path) -> None:
    grid_date_map(small_fit(), grid, tmp_path / "here.zarr")
    with local_cluster(2) as cluster, cluster_executor(cluster.scheduler_address) as executor:
        grid_date_map(small_fit(), grid, tmp_path / "there.zarr", executor=executor)
        assert int(cluster.scheduler.transition_counter) > 0
    assert _bytes(tmp_path / "here.zarr") == _bytes(tmp_path / "there.zarr")
