"""The command ``phenofit heat`` on tables and grids, here and on a cluster."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.cli import main
from phenofit.errors import DataError, MissingExtraError
from phenofit.heat import accumulate, dates_reaching, degree_days
from phenofit.heat.grids import heat_maps, open_grid
from tests.clusters import local_cluster

pytest.importorskip("dask", reason="the extra 'dask' is not installed")


def invented_grid(kind: str = "float32") -> xr.Dataset:
    """Two invented years of a 7 by 5 grid with a gap in one cell."""
    days = pd.date_range("2022-01-01", "2023-12-31")
    rng = np.random.default_rng(5)
    warmth = 11.0 - 9.0 * np.cos(2.0 * np.pi * days.day_of_year.to_numpy() / 365.25)
    low = warmth[:, None, None] - 5.0 + rng.normal(0.0, 3.0, (days.size, 7, 5))
    high = low + rng.uniform(2.0, 16.0, low.shape)
    low[400, 2, 3] = np.nan
    coords = {"time": days, "y": np.linspace(50.0, 51.0, 7), "x": np.linspace(7.0, 8.0, 5)}
    return xr.Dataset(
        {
            name: (("time", "y", "x"), values.astype(kind), {"units": "degC"})
            for name, values in (("tmin", low), ("tmax", high))
        },
        coords,
    )


@pytest.fixture
def netcdf(tmp_path: Path) -> Path:
    path = tmp_path / "grid.nc"
    invented_grid().to_netcdf(path)
    return path


def test_maps_equal_the_sums_of_each_cell(
    netcdf: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "maps.nc"
    call = ["heat", str(netcdf), "--base", "50F", "--upper", "88F", "--start", "03-01", "--end", "10-31"]
    assert main([*call, "--amounts", "150 degC d", "900 degF d", "--out", str(out)]) == 0
    assert (
        "degree-days [degC d]: single sine, base 10 °C, upper threshold 31.1111 °C" in capsys.readouterr().out
    )
    source = invented_grid()
    with xr.open_dataset(out) as maps:
        assert maps.attrs["Conventions"].startswith("CF-")
        assert maps["heat"].dims == ("season", "y", "x")
        assert maps["date"].dims == ("season", "amount", "y", "x")
        assert maps["heat"].attrs["units"] == "degC d"
        assert maps["heat"].attrs["base"] == "10 degC"
        assert maps["heat"].attrs["start"] == "03-01"
        assert maps["until"].values.astype("datetime64[D]").tolist() == [
            np.datetime64(f"{year}-10-31").item() for year in (2022, 2023)
        ]
        cell = {"y": 4, "x": 1}
        daily = degree_days(source["tmin"].isel(cell), source["tmax"].isel(cell), base="50F", upper="88F")
        sums = accumulate(daily, start="03-01", end="10-31")
        expected = [float(sums.sel(time=f"{year}-10-31")) for year in (2022, 2023)]
        np.testing.assert_allclose(maps["heat"].isel(cell), expected, rtol=1e-6)
        dates = dates_reaching(sums, [150.0, "900 degF d"])
        np.testing.assert_array_equal(maps["date"].isel(cell).values, dates.values)
        # The gap is in February 2023: the sum of 2023 from 1 March does not meet it, nor does 2022.
        assert np.isfinite(maps["heat"]).all()


def test_sum_across_a_gap_is_missing_on_the_map(netcdf: Path) -> None:
    tmin, tmax = open_grid(netcdf, block=731 * 4)
    assert len(tmin.chunks[1]) > 1  # type: ignore[index]
    maps = heat_maps(tmin, tmax, amounts=[100.0], start="01-01", base=10.0).compute()
    assert np.isnan(maps["heat"].sel(season=2023).values[2, 3])
    assert np.isnat(maps["date"].sel(season=2023).values[0, 2, 3])
    assert np.isfinite(maps["heat"]).sum() == 2 * 35 - 1


def test_blocks_do_not_change_a_byte(netcdf: Path) -> None:
    whole, small = (
        heat_maps(*open_grid(netcdf, block=block), amounts=[100.0, 400.0], start="01-01", base=10.0).compute()
        for block in (10**7, 731 * 3)
    )
    for name in ("heat", "date"):
        assert whole[name].values.tobytes() == small[name].values.tobytes()


def test_running_sums_go_to_zarr(netcdf: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("zarr", reason="the extra 'dask' is not installed")
    out = tmp_path / "sums.zarr"
    call = ["heat", str(netcdf), "--base", "10C", "--every-day"]
    assert main([*call, "--out", str(tmp_path / "sums.nc")]) == 2
    assert "end the output with .zarr" in capsys.readouterr().err
    assert main([*call, "--out", str(out)]) == 0
    source = invented_grid()
    expected = accumulate(degree_days(source["tmin"], source["tmax"], base=10.0), start="01-01")
    with xr.open_zarr(out) as stored:
        np.testing.assert_array_equal(stored["heat"].values, expected.values)
        assert stored["heat"].attrs["units"] == "degC d"
    again = tmp_path / "again.nc"
    assert main(["heat", str(netcdf), "--base", "10C", "--out", str(again)]) == 0
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []


def test_variables_are_found_by_their_cell_methods(tmp_path: Path) -> None:
    grid = invented_grid().rename(tmin="tn", tmax="tx")
    path = tmp_path / "grid.nc"
    grid.to_netcdf(path)
    with pytest.raises(DataError, match=r"no variable is named 'tmin', .*found: tn, tx"):
        open_grid(path)
    for name, word in (("tn", "minimum"), ("tx", "maximum")):
        grid[name].attrs |= {"standard_name": "air_temperature", "cell_methods": f"time: {word}"}
    marked = tmp_path / "marked.nc"
    grid.to_netcdf(marked)
    assert [part.name for part in open_grid(marked)] == ["tn", "tx"]
    assert [part.name for part in open_grid(path, tmin="tn", tmax="tx")] == ["tn", "tx"]
    with pytest.raises(DataError, match="there is no variable 'low'"):
        open_grid(path, tmin="low")


def test_faulty_grids_are_refused(tmp_path: Path, netcdf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    broken = tmp_path / "broken.nc"
    broken.write_bytes(netcdf.read_bytes()[:3000])
    out = str(tmp_path / "out.nc")
    cases = {
        (str(broken), "--base", "10C"): "cannot be read as NetCDF",
        (str(tmp_path / "none.nc"), "--base", "10C"): "there is no such file",
        (str(netcdf), "--base", "50"): "'50' has no unit",
        (str(netcdf), "--base", "10C", "--columns", "tmin"): "write OURS=THEIRS",
        (
            str(netcdf),
            "--base",
            "10C",
            "--amounts",
            "900",
        ): "'900' has no unit; write '900 degC d' or '900 degF d'",
        (str(netcdf), "--base", "10C", "--amounts", "-5 degC d"): "must be above 0",
    }
    for call, message in cases.items():
        assert main(["heat", *call, "--out", out]) == 2
        assert message in capsys.readouterr().err
    short = tmp_path / "short.nc"
    invented_grid().isel(time=slice(40, 90)).to_netcdf(short)
    assert main(["heat", str(short), "--base", "10C", "--out", out]) == 2
    assert "no season that starts on 01-01 begins within 2022-02-10 to 2022-03-31" in capsys.readouterr().err
    assert not Path(out).exists()


def test_absent_extra_is_told_in_one_line(netcdf: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda _: None)
    with pytest.raises(MissingExtraError, match=r'pip install "phenofit-toolkit\[dask\]"'):
        open_grid(netcdf)


def test_table_gives_running_sums_and_dates(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    days = pd.date_range("2024-01-01", "2024-01-10")
    lines = [f"{day:%Y-%m-%d},50,70" for day in days]
    lines[6] = "2024-01-07,50,"
    table = tmp_path / "weather.csv"
    table.write_text("\n".join(["date,low,high", *lines]) + "\n")
    out = tmp_path / "sums.csv"
    call = ["heat", str(table), "--base", "50F", "--unit", "degF", "--station", "A", "--show", "degF d"]
    columns = ["--columns", "tmin=low", "tmax=high"]
    assert (
        main([*call, *columns, "--method", "simple average", "--amounts", "25", "200", "--out", str(out)])
        == 0
    )
    text = capsys.readouterr().out
    # 10 degF-days a day (a published worked day, 50 to 70 degF over 50): 25 are reached at noon of the third day.
    assert "A, season 2024: 25 degF d on 2024-01-03T12:00" in text
    assert "A, season 2024: 200 degF d on no day of the series" in text
    with out.open() as stream:
        rows = list(csv.DictReader(stream))
    assert [float(row["sum"]) for row in rows[:6]] == [10.0, 20.0, 30.0, 40.0, 50.0, 60.0]
    assert [row["sum"] for row in rows[6:]] == [""] * 4  # unknown from the missing day on, never smaller
    assert {(row["units"], row["base"], row["method"], row["start"]) for row in rows} == {
        ("degF d", "10 degC", "simple average", "01-01")
    }
    with (tmp_path / "sums-dates.csv").open() as stream:
        dates = list(csv.DictReader(stream))
    assert [(row["amount"], row["date"]) for row in dates] == [("25.0", "2024-01-03T12:00"), ("200.0", "")]


@pytest.mark.slow
def test_a_cluster_gives_the_same_bytes(
    netcdf: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    call = [
        "heat",
        str(netcdf),
        "--base",
        "10C",
        "--upper",
        "30C",
        "--method",
        "double sine",
        "--amounts",
        "100 degC d",
    ]
    here, there = tmp_path / "here.nc", tmp_path / "there.nc"
    assert main([*call, "--out", str(here)]) == 0
    with local_cluster(2) as cluster:
        assert main([*call, "--out", str(there), "--scheduler", cluster.scheduler_address]) == 0
    assert here.read_bytes() == there.read_bytes()
    assert main([*call, "--out", str(there), "--scheduler", "tcp://127.0.0.1:9"]) == 2
    assert "no scheduler answers at 'tcp://127.0.0.1:9'" in capsys.readouterr().err
