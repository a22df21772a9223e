"""Dates and missing codes of NetCDF files that others wrote; values invented."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.errors import DataError
from phenofit.weather import findings, notes
from tests.calls import read_weather
from tests.weather.test_read import small


def timed(folder: Path, values: list[float], units: str, **attrs: str) -> Path:
    """Write five days of two stations with these times."""
    path = folder / "weather.nc"
    time = ("time", np.array(values), {"units": units, **attrs})
    small().drop_vars("time").assign_coords(time=time).to_netcdf(path)
    return path


def dates(weather: xr.Dataset) -> list[str]:
    return [str(day)[:10] for day in weather["time"].values[[0, -1]]]


@pytest.mark.parametrize(
    ("units", "first", "said"),
    [
        # 738000 days = 2021 years of 365 days and 335 days: the 336th day of year 2022, 2 December
        ("days since 1-1-1", 738000.0, ["2022-12-02", "2022-12-06"]),
        ("days since 0001-01-01 00:00:00", 738000.0, ["2022-12-02", "2022-12-06"]),
        ("days since 2000-1-1 0:0:0", 3.5, ["2000-01-04", "2000-01-08"]),
        ("days since 2000-01-01 UTC", 3.0, ["2000-01-04", "2000-01-08"]),
    ],
)
def test_no_leap_reference_dates_as_models_write_them(
    tmp_path: Path, units: str, first: float, said: list[str]
) -> None:
    values = [first + k for k in range(5)]
    assert dates(read_weather(timed(tmp_path, values, units, calendar="noleap"))) == said


def test_the_calendar_in_capital_letters(tmp_path: Path) -> None:
    path = timed(tmp_path, [0.0, 1, 2, 3, 4], "days since 2024-02-27", calendar="Standard")
    assert dates(read_weather(path)) == ["2024-02-27", "2024-03-02"]


@pytest.mark.parametrize("calendar", ["standard", "noleap"])
@pytest.mark.parametrize(
    ("values", "units", "says"),
    [
        (
            [0.0, 1, np.nan, 3, 4],
            "days since 2023-05-01",
            "1 of 5 times are missing, the first at position 3",
        ),
        ([0.0, 1, 2, 3, 4], "days since yesterday", "the time cannot be decoded"),
        ([1e7, 2e7, 3e7, 4e7, 5e7], "days since 2023-05-01", "the time cannot be decoded"),
        # midnight of 1 May six hours east of Greenwich is 30 April in UTC: which day is meant is not known
        ([0.0, 1, 2, 3, 4], "days since 2023-05-01 00:00 +06:00", "has an offset from UTC"),
    ],
)
def test_times_without_a_date_are_refused(
    tmp_path: Path, values: list[float], units: str, calendar: str, says: str
) -> None:
    with pytest.raises(DataError, match=says) as caught:
        read_weather(timed(tmp_path, values, units, calendar=calendar))
    assert caught.value.problems[0].column == "time"


def test_an_offset_of_zero_is_none(tmp_path: Path) -> None:
    path = timed(tmp_path, [0.0, 1, 2, 3, 4], "days since 2023-05-01 00:00:00 +00:00")
    assert dates(read_weather(path)) == ["2023-05-01", "2023-05-05"]


def test_leap_day_is_no_reference_date_of_a_calendar_without_it(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="leap day"):
        read_weather(timed(tmp_path, [0.0, 1, 2, 3, 4], "days since 2024-02-29", calendar="noleap"))


def test_a_day_whose_stamp_is_its_end_keeps_its_date(tmp_path: Path) -> None:
    # Conventions for climate and forecast files, section 7.1: the bounds say which time a value is of.
    path = tmp_path / "weather.nc"
    stamps = ("time", np.arange(1.0, 6.0), {"units": "days since 2024-05-01", "bounds": "time_bounds"})
    ends = np.stack([np.arange(5.0), np.arange(1.0, 6.0)], axis=1)
    weather = small().drop_vars("time").assign_coords(time=stamps)
    weather.assign(time_bounds=(("time", "side"), ends)).to_netcdf(path)
    found = read_weather(path)
    assert dates(found) == ["2024-05-01", "2024-05-05"]
    assert any("5 values dated by the middle of 'time_bounds'" in note for note in notes(found))


@pytest.mark.parametrize(
    ("unit", "scale", "offset", "code"),
    # Each code but the first converts to a temperature that somewhere on Earth has been measured, or nearly.
    [
        ("degC", 1.0, 0.0, -9999.0),
        ("degF", 1.8, 32.0, -99.0),
        ("degF", 1.8, 32.0, -99.9),
        ("K", 1.0, 273.15, 0.0),
    ],
)
def test_missing_codes_of_netcdf_go_before_the_conversion(
    tmp_path: Path, unit: str, scale: float, offset: float, code: float
) -> None:
    path = tmp_path / "weather.nc"
    weather = small()
    for name in ("tmin", "tmax"):
        values = (weather[name] * scale + offset).astype(np.float32)
        weather[name] = values.assign_attrs(weather[name].attrs, units=unit)
    weather["tmin"][0, 1] = code
    weather.to_netcdf(path)
    found = read_weather(path)
    assert np.flatnonzero(np.isnan(found["tmin"].values[0])).tolist() == [1]
    assert found["tmax"].values[0, 1] == pytest.approx(11.0, abs=1e-4)
    assert any(
        f"'tmin': 1 value set to missing, as missing codes ({code:g})" in note for note in notes(found)
    )
    assert findings(found).empty


@pytest.mark.parametrize("form", ["netcdf", "hourly netcdf", "hourly table"])
def test_declared_missing_codes_count_in_every_form(tmp_path: Path, form: str) -> None:
    stamps = pd.date_range("2024-06-01", periods=24, freq="h")
    values = np.where(np.arange(24) == 5, -77.0, 15.0)
    path = tmp_path / "weather"
    if form == "netcdf":
        weather = small()
        weather["tmin"][0, 1] = -77.0
        weather.to_netcdf(path)
    elif form == "hourly netcdf":
        attrs = {"standard_name": "air_temperature", "units": "degC"}
        xr.Dataset({"t2m": ("time", values, attrs)}, coords={"time": stamps}).to_netcdf(path)
    else:
        lines = [f"A,{stamp:%Y-%m-%d %H:%M},{value}" for stamp, value in zip(stamps, values, strict=True)]
        path.write_text("\n".join(["station,time,temperature", *lines]) + "\n", encoding="utf-8")
    clock = {} if form == "netcdf" else {"utc_offset": 0}
    unit = {"unit": "degC", "times": "UTC"} if form == "hourly table" else {}
    found = read_weather(path, form=form, missing_codes=[-77], **clock, **unit)
    assert float(found["tmin"].min()) > -77.0
    assert any("1 value set to missing, as missing codes (-77)" in note for note in notes(found))
