"""Weather of other forms reached through the study file: the daily archive, hourly readings."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import xarray as xr

from phenofit.study import load_study, read_inputs
from tests.study.studies import STUDY, WEATHER, write_study
from tests.study.test_load import one, problems


def _plain(folder: Path) -> xr.Dataset:
    folder.mkdir()
    return read_inputs(load_study(write_study(folder))).weather


def _with_weather(folder: Path, lines: str, text: str, *, name: str) -> Path:
    study = STUDY.replace('files = ["weather.csv"]', f'files = ["{name}"]').replace('unit = "degC"\n', lines)
    path = write_study(folder, study=study)
    (folder / name).write_text(text, encoding="utf-8")
    return path


def test_the_daily_archive_by_station(tmp_path: Path) -> None:
    # Line format: station, YYYYMMDD, element, tenths of degC, measurement, quality and source flag, time of
    # observation (public documentation of the daily archive).
    expected = _plain(tmp_path / "plain")
    lines = []
    for row in csv.DictReader(io.StringIO(WEATHER)):
        day = row["date"].replace("-", "")
        for element, key in (("TMAX", "tmax"), ("TMIN", "tmin")):
            lines.append(f"{row['station']},{day},{element},{round(float(row[key]) * 10)},,,S,")
    path = _with_weather(tmp_path, 'form = "ghcn-daily"\n', "\n".join(lines) + "\n", name="archive.csv")
    found = read_inputs(load_study(path)).weather
    for name in ("tmin", "tmax"):
        np.testing.assert_allclose(found[name].to_numpy(), expected[name].to_numpy(), atol=1e-9)


def test_hourly_readings_need_their_clock(tmp_path: Path) -> None:
    problem = one(tmp_path, 'unit = "degC"', 'unit = "degC"\nform = "hourly table"')
    assert "what its clock shows" in problem.finding
    assert "utc_offset" in problem.remedy


def test_hourly_readings_become_daily_extremes(tmp_path: Path) -> None:
    lines = ["station,time,temperature"]
    for row in csv.DictReader(io.StringIO(WEATHER)):
        low, high = float(row["tmin"]), float(row["tmax"])
        for hour in range(24):
            value = high if hour == 15 else low if hour == 5 else 0.5 * (low + high)
            lines.append(f"{row['station']},{row['date']} {hour:02d}:00,{value:.2f}")
    declared = 'unit = "degC"\nform = "hourly table"\ntimes = "local standard"\nutc_offset = -6\n'
    path = _with_weather(tmp_path, declared, "\n".join(lines) + "\n", name="hourly.csv")
    found = read_inputs(load_study(path)).weather
    plain = _plain(tmp_path / "plain")
    np.testing.assert_allclose(found["tmax"].to_numpy(), plain["tmax"].to_numpy(), atol=0.011)
    np.testing.assert_allclose(found["tmin"].to_numpy(), plain["tmin"].to_numpy(), atol=0.011)


def test_a_drift_on_elevation_needs_heights(tmp_path: Path) -> None:
    problem = one(tmp_path, "cell_km = 2", 'cell_km = 2\ndrift = ["elevation"]')
    assert "heights of the cells" in problem.finding
    (other,) = problems(tmp_path, STUDY.replace("cell_km = 2", 'drift = ["slope"]'))
    assert "'slope' is not accepted" in other.finding


def test_temperatures_interpolated_to_the_traps(tmp_path: Path) -> None:
    more = 'unit = "degC"\nat_traps = "interpolated"\nlapse = "-6.5 degC/km"\n'
    inputs = read_inputs(load_study(write_study(tmp_path, study=STUDY.replace('unit = "degC"\n', more))))
    assert inputs.weather["station"].to_numpy().tolist() == ["A", "B", "C"]
    assert (inputs.links["station"] == inputs.links["trap"]).all()
    assert set(inputs.links["how"]) == {"interpolated"}
    # S2 is 0.7 °C warmer than S1 in the made-up weather and 15 m higher: trap C, between them, lies between.
    plain = _plain(tmp_path / "plain").sel(time="2024-05-01")["tmax"]
    at_c = inputs.weather.sel(station="C", time="2024-05-01")["tmax"].item()
    assert plain.min().item() - 0.2 < at_c < plain.max().item() + 0.2
    assert at_c not in plain.to_numpy()


def test_a_lapse_that_is_none_is_refused(tmp_path: Path) -> None:
    problem = one(tmp_path, 'unit = "degC"', 'unit = "degC"\nlapse = "steep"')
    assert "change of temperature with height" in problem.finding
