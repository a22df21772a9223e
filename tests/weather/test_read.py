"""Reading station files; sample values invented."""

from __future__ import annotations

from pathlib import Path

import cf_xarray  # noqa: F401 - the outside reader; it registers itself
import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.errors import DataError, ModelError, UnitError
from phenofit.weather import (
    findings,
    has_flag,
    link_stations,
    new_dataset,
    notes,
    read_stations,
    read_weather,
    write_weather,
)
from phenofit.weather.reading.missing_codes import MISSING_CODES


def table(folder: Path, text: str, name: str = "weather.csv", encoding: str = "utf-8") -> Path:
    path = folder / name
    path.write_bytes(text.encode(encoding))
    return path


def days(station: str, start: str, low: list[float], high: list[float]) -> str:
    dates = pd.date_range(start, periods=len(low)).strftime("%Y-%m-%d")
    rows = (f"{station},{d},{a},{b}" for d, a, b in zip(dates, low, high, strict=True))
    return "station,date,tmin,tmax\n" + "\n".join(rows) + "\n"


def test_unit_must_be_declared(tmp_path: Path) -> None:
    path = table(tmp_path, "station,date,tmin,tmax\nA,2024-05-01,8,20\n")
    with pytest.raises(UnitError, match="no temperature unit is declared"):
        read_weather(path)


@pytest.mark.parametrize(
    ("unit", "low", "high"), [("degF", 50, 68), ("degC", 10, 20), ("kelvin", 283.15, 293.15)]
)
def test_units_give_the_same_day(tmp_path: Path, unit: str, low: float, high: float) -> None:
    # 50 F = 10 C = 283.15 K, 68 F = 20 C: definitions of the scales
    weather = read_weather(table(tmp_path, f"station,date,tmin,tmax\nA,2024-05-01,{low},{high}\n"), unit=unit)
    assert weather["tmin"].item() == pytest.approx(10.0, abs=1e-9)
    assert weather["tmax"].item() == pytest.approx(20.0, abs=1e-9)
    assert weather["tmin"].attrs["units"] == "degC"


def test_all_bad_cells_of_all_files_are_told(tmp_path: Path) -> None:
    one = table(tmp_path, "station,date,tmin,tmax\nA,2024-05-01,8,warm\nA,31/05/2024,8,20\n", "one.csv")
    two = table(tmp_path, "station,date,tmin\nA,2024-05-01,8\n", "two.csv")
    with pytest.raises(DataError) as caught:
        read_weather([one, two], unit="degC")
    found = [(Path(p.file).name, p.row, p.column) for p in caught.value.problems]
    assert found == [("one.csv", 2, "tmax"), ("one.csv", 3, "date"), ("two.csv", 1, "")]
    assert "The columns seen are: 'station', 'date', 'tmin'" in str(caught.value)


def test_absent_calendar_day_is_a_missing_day_and_named(tmp_path: Path) -> None:
    text = "station,date,tmin,tmax\nA,2024-01-24,1,5\nA,2024-01-26,2,6\nA,2024-01-27,1,7\n"
    weather = read_weather(table(tmp_path, text), unit="degC")
    assert weather.sizes["time"] == 4
    assert weather["source"].values.tolist() == [[1, 0, 1, 1]]
    assert any("missing: 1 (2024-01-25)" in n and "2024-01-25" in n for n in notes(weather))


def test_tenths_declared_as_degrees_are_stopped(tmp_path: Path) -> None:
    text = days("A", "2024-06-01", [87, 101, 95, 99, 90, 88], [223, 241, 198, 230, 228, 219])
    with pytest.raises(DataError, match="archives often store tenths"):
        read_weather(table(tmp_path, text), unit="degC")


def test_fahrenheit_declared_as_celsius_is_stopped(tmp_path: Path) -> None:
    text = days("A", "2024-07-01", [60.0] * 10, [85.0] * 10)
    with pytest.raises(DataError, match="station 'A': the median daily maximum of its warmest month is 85"):
        read_weather(table(tmp_path, text), unit="degC")


def test_missing_codes_before_conversion(tmp_path: Path) -> None:
    text = days("A", "2024-06-01", [50.0, -9999, 52.0], [70.0, -99, 999.9])
    weather = read_weather(table(tmp_path, text), unit="degF")
    assert np.isnan(weather["tmin"].values[0, 1])
    assert np.isnan(weather["tmax"].values[0, 1:]).all()
    assert any("2 values set to missing, as missing codes (-99, 999.9)" in n for n in notes(weather))
    # 99.9 F is a hot day and no code; 99.9 C is a code
    assert 99.9 not in MISSING_CODES["degF"]
    assert 99.9 in MISSING_CODES["degC"]


def test_day_with_one_element_stays(tmp_path: Path) -> None:
    weather = read_weather(table(tmp_path, "station,date,tmin,tmax\nA,2024-06-03,,25.0\n"), unit="degC")
    assert weather["tmax"].item() == 25.0
    assert has_flag(weather, "incomplete_day").item()
    assert weather["source"].item() == 0


def test_minimum_above_maximum_is_not_swapped(tmp_path: Path) -> None:
    text = "station,date,tmin,tmax\nA,2022-02-10,1,8\nA,2022-02-11,7.9,5.1\nA,2022-02-12,2,9\n"
    weather = read_weather(table(tmp_path, text), unit="degC")
    assert np.isnan(weather["tmin"].values[0, 1])
    assert np.isnan(weather["tmax"].values[0, 1])
    assert has_flag(weather, "minimum_above_maximum").values.tolist() == [[False, True, False]]
    row = findings(weather).iloc[0]
    assert (row["tmin"], row["tmax"], row["where"]) == (7.9, 5.1, "weather.csv, row 3")


def test_beyond_any_record_is_set_aside_with_its_value(tmp_path: Path) -> None:
    text = days("A", "2024-11-01", [5.0, 5.0, 5.0], [16.0, 113.0, 14.0])
    weather = read_weather(table(tmp_path, text), unit="degC")
    assert np.isnan(weather["tmax"].values[0, 1])
    assert findings(weather)["tmax"].tolist() == [113.0]


def test_leap_day_is_a_day(tmp_path: Path) -> None:
    text = days("A", "2024-02-28", [1.0, 2.0, 3.0], [5.0, 6.0, 7.0])
    weather = read_weather(table(tmp_path, text), unit="degC")
    assert str(weather["time"].values[1])[:10] == "2024-02-29"


def test_date_order_is_declared_never_guessed(tmp_path: Path) -> None:
    ambiguous = table(tmp_path, "station,date,tmin,tmax\nA,03/05/2024,1,9\nA,10/05/2024,1,9\n")
    day_first = read_weather(ambiguous, unit="degC", dates="day-first")
    assert str(day_first["time"].values[-1])[:10] == "2024-05-10"
    month_first = read_weather(ambiguous, unit="degC", dates="month-first")
    assert str(month_first["time"].values[-1])[:10] == "2024-10-05"
    with pytest.raises(DataError, match="declared order is year-first"):
        read_weather(ambiguous, unit="degC")
    wrong = table(tmp_path, "station,date,tmin,tmax\nA,03/05/2024,1,9\nA,17/05/2024,1,9\n")
    with pytest.raises(DataError, match=r"'17/05/2024' is no day of the calendar .read month-first"):
        read_weather(wrong, unit="degC", dates="month-first")


def test_byte_order_mark_and_blanks_in_the_header(tmp_path: Path) -> None:
    text = "\ufeff Station\u00a0, DATE,TMIN ,tmax\nA,2024-05-01,8,20\n"
    weather = read_weather(table(tmp_path, text), unit="degC")
    assert weather["tmax"].item() == 20.0


def test_semicolons_and_decimal_commas(tmp_path: Path) -> None:
    text = "station;date;tmin;tmax\nA;01.05.2024;7,5;19,2\n"
    weather = read_weather(table(tmp_path, text), unit="degC", dates="day-first")
    assert (weather["tmin"].item(), weather["tmax"].item()) == (7.5, 19.2)
    fused = table(tmp_path, "station,date,tmin,tmax\nA,2024-05-01,7,5,19,2\n")
    with pytest.raises(DataError, match="the row has 6 cells, the header has 4"):
        read_weather(fused, unit="degC")
    mixed = table(tmp_path, "station;date;tmin;tmax\nA;2024-05-01;7,5;19,2\nA;2024-05-02;7.5;19,2\n")
    with pytest.raises(DataError, match="both decimal points and decimal commas"):
        read_weather(mixed, unit="degC")


def test_blank_rows_and_footnotes_are_counted(tmp_path: Path) -> None:
    text = "station,date,tmin,tmax\nA,2024-05-01,8,20\n,,,\nA,2024-05-02,8,21\nchecked by JB,,,\n"
    weather = read_weather(table(tmp_path, text), unit="degC")
    assert weather.sizes["time"] == 2
    told = " ".join(notes(weather))
    assert "1 blank row skipped (row 3)" in told
    assert "row 5: 'checked by JB'" in told


def test_unsorted_and_repeated_dates(tmp_path: Path) -> None:
    text = "station,date,tmin,tmax\nA,2024-05-03,8,20\nA,2024-05-01,7,19\nA,2024-05-03,9,25\n"
    path = table(tmp_path, text)
    weather = read_weather(path, unit="degC")
    assert np.isnan(weather["tmax"].values[0, 2])
    assert any("A 2024-05-03 (rows 2, 4)" in n for n in notes(weather))
    assert has_flag(weather, "duplicate_date").values[0].tolist() == [False, False, True]
    assert read_weather(path, unit="degC", duplicates="last")["tmax"].values[0, 2] == 25.0
    assert read_weather(path, unit="degC", duplicates="first")["tmax"].values[0, 2] == 20.0
    with pytest.raises(ModelError, match="missing, first, last"):
        read_weather(path, unit="degC", duplicates="mean")


def test_repeated_date_that_agrees_or_completes_is_joined(tmp_path: Path) -> None:
    text = "station,date,tmin,tmax\nA,2024-05-03,8,\nA,2024-05-03,8,20\nA,2024-05-03,,20\n"
    weather = read_weather(table(tmp_path, text), unit="degC")
    assert (weather["tmin"].item(), weather["tmax"].item()) == (8.0, 20.0)
    assert not has_flag(weather, "duplicate_date").any()


def test_spreadsheet_and_non_utf8_and_absent_files_are_refused(tmp_path: Path) -> None:
    (tmp_path / "book.csv").write_bytes(b"PK\x03\x04rest")
    with pytest.raises(DataError, match="the workbook is damaged"):
        read_weather(tmp_path / "book.csv", unit="degC")
    (tmp_path / "latin.csv").write_bytes(
        "station,date,tmin,tmax\nMünster,2024-05-01,8,20\n".encode("latin-1")
    )
    with pytest.raises(DataError, match=r"row 2: byte 0xfc is not UTF-8"):
        read_weather(tmp_path / "latin.csv", unit="degC")
    with pytest.raises(DataError, match="does not exist"):
        read_weather(tmp_path / "none.csv", unit="degC")


def test_unknown_station_is_told(tmp_path: Path) -> None:
    stations = table(tmp_path, "station,latitude,longitude\nB,45,9\n", "stations.csv")
    weather = table(tmp_path, "station,date,tmin,tmax\nA,2024-05-01,8,20\n")
    with pytest.raises(DataError, match="station 'A' is not in the station table"):
        read_weather(weather, unit="degC", stations=stations)


def test_station_table_faults(tmp_path: Path) -> None:
    text = "station,latitude,longitude,elevation_m\nA,95,9,\nA,45,-200,x\n,45,9,10\n"
    with pytest.raises(DataError) as caught:
        read_stations(table(tmp_path, text, "stations.csv"))
    found = {(p.row, p.column) for p in caught.value.problems}
    assert found == {(2, "latitude"), (3, "longitude"), (3, "elevation_m"), (4, "station"), (3, "station")}


# --- NetCDF -----------------------------------------------------------------------------------------------


def small() -> xr.Dataset:
    stations = pd.DataFrame(
        {
            "station": ["A", "B"],
            "latitude": [45.0, 46.0],
            "longitude": [9.0, 9.5],
            "elevation_m": [100.0, np.nan],
        }
    )
    calendar = np.arange("2024-02-27", "2024-03-03", dtype="datetime64[D]")
    low = np.arange(10.0).reshape(2, 5)
    low[1, 2] = np.nan
    return new_dataset(stations, calendar, low, low + 10)


def test_netcdf_round_trip_and_cf_reader(tmp_path: Path) -> None:
    path = tmp_path / "weather.nc"
    weather = small()
    write_weather(weather, path)
    xr.testing.assert_equal(read_weather(path), weather)
    with xr.open_dataset(path) as plain:
        # cf_xarray is an independent reader of the conventions
        found = plain.cf.standard_names["air_temperature"]
        assert sorted(found) == ["tmax", "tmin"]
        assert plain["tmin"].attrs["cell_methods"] == "time: minimum"
        assert plain.cf.cf_roles == {"timeseries_id": ["station"]}
        missing = plain["source"].cf == "missing"
        assert missing.values.sum() == 1
        np.testing.assert_array_equal(plain["time"].values, weather["time"].values)


def test_netcdf_without_units_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "weather.nc"
    bare = small()
    del bare["tmax"].attrs["units"]
    bare.to_netcdf(path)
    with pytest.raises(UnitError, match="'tmax': the variable has no units attribute"):
        read_weather(path)


def test_netcdf_in_kelvin_by_standard_name(tmp_path: Path) -> None:
    path = tmp_path / "weather.nc"
    attrs = {"standard_name": "air_temperature", "units": "K"}
    foreign = xr.Dataset(
        {
            "tasmin": (("time",), [280.15, 281.15], {**attrs, "cell_methods": "time: minimum"}),
            "tasmax": (("time",), [290.15, 291.15], {**attrs, "cell_methods": "time: maximum"}),
        },
        coords={"time": pd.date_range("2024-05-01", periods=2)},
    )
    foreign.to_netcdf(path)
    weather = read_weather(path, station="S")
    assert weather["station"].values.tolist() == ["S"]
    np.testing.assert_allclose(weather["tmin"].values, [[7.0, 8.0]])


@pytest.mark.parametrize("units", ["months since 1990-01-01", "years since 1990-01-01"])
def test_months_since_is_refused_by_name(tmp_path: Path, units: str) -> None:
    path = tmp_path / "weather.nc"
    ds = small().drop_vars("time").assign_coords(time=("time", np.arange(5.0), {"units": units}))
    ds.to_netcdf(path)
    with pytest.raises(DataError, match="is not a length of time"):
        read_weather(path)


def test_no_leap_calendar_keeps_month_and_day(tmp_path: Path) -> None:
    path = tmp_path / "weather.nc"
    attrs = {"units": "days since 1992-01-01", "calendar": "noleap"}
    ds = small().drop_vars("time").assign_coords(time=("time", np.array([57.0, 58, 59, 60, 61]), attrs))
    ds.to_netcdf(path)
    weather = read_weather(path)
    # value 59 is 1 March in the 365-day calendar; 29 February 1992 exists and has no value
    day = weather.sel(time="1992-03-01")
    assert day["tmin"].values.tolist() == [2.0, pytest.approx(np.nan, nan_ok=True)]
    assert weather["tmin"].sel(time="1992-02-29").isnull().all()
    assert any("has no 29 February" in n for n in notes(weather))


def test_360_day_calendar_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "weather.nc"
    attrs = {"units": "days since 1992-01-01", "calendar": "360_day"}
    ds = small().drop_vars("time").assign_coords(time=("time", np.arange(5.0), attrs))
    ds.to_netcdf(path)
    with pytest.raises(DataError, match="360_day"):
        read_weather(path)


# --- links ------------------------------------------------------------------------------------------------


def traps(**columns: list[object]) -> pd.DataFrame:
    return pd.DataFrame({"trap": [f"T{i}" for i in range(len(next(iter(columns.values()))))], **columns})


def test_links_show_distance_and_height() -> None:
    links = link_stations(traps(latitude=[45.1], longitude=[9.0], elevation_m=[150.0]), small())
    row = links.iloc[0]
    # a tenth of a degree of a great circle on the mean sphere: 6371.0088 km * pi / 1800
    assert row["distance_km"] == pytest.approx(11.1195, abs=1e-3)
    assert (row["station"], row["height_difference_m"], row["how"]) == ("A", 50.0, "nearest")


def test_given_station_and_unknown_one() -> None:
    frame = traps(latitude=[45.0, 45.0], longitude=[9.0, 9.0], station=["B", None])
    assert link_stations(frame, small())["how"].tolist() == ["given", "nearest"]
    with pytest.raises(DataError, match="its station 'C' is not in the weather"):
        link_stations(frame.assign(station=pd.Series(["C", None], dtype=object)), small())


def test_station_without_any_complete_day_is_passed_over() -> None:
    weather = small()
    weather["tmax"][0, :] = np.nan
    links = link_stations(traps(latitude=[45.0], longitude=[9.0]), weather, max_distance_km=200)
    assert links["station"].tolist() == ["B"]
    assert links["passed_over"].tolist() == ["A (0 % of the days)"]


def test_station_with_few_days_gives_way_and_is_named() -> None:
    weather = small()
    weather["tmax"][0, :4] = np.nan
    frame = traps(latitude=[45.0], longitude=[9.0])
    links = link_stations(frame, weather, max_distance_km=200)
    assert links[["station", "passed_over"]].values.tolist() == [["B", "A (20 % of the days)"]]
    # within reach there is only A: then it is better than nothing
    assert link_stations(frame, weather, max_distance_km=20)["station"].tolist() == ["A"]
    assert link_stations(frame, weather, max_distance_km=200, min_share=0.1)["station"].tolist() == ["A"]
    given = frame.assign(station="A")
    assert link_stations(given, weather)["how"].tolist() == ["given"]


@pytest.mark.parametrize(
    ("latitude", "longitude", "hint"),
    [(45.0, -9.0, "longitude 9"), (-45.0, 9.0, "latitude 45"), (9.0, 45.0, "exchanged")],
)
def test_lost_sign_or_exchange_is_hinted(latitude: float, longitude: float, hint: str) -> None:
    with pytest.raises(DataError, match=f"the limit is 40 km. Did you mean .*{hint}"):
        link_stations(traps(latitude=[latitude], longitude=[longitude]), small())


def test_trap_out_of_reach_may_be_left_out() -> None:
    far = traps(latitude=[45.0, 60.0], longitude=[9.0, 9.0])
    links = link_stations(far, small(), too_far="leave out")
    assert links["how"].tolist() == ["nearest", "none"]


def test_no_positions_asks_for_given_stations() -> None:
    weather = small().assign_coords(latitude=("station", [np.nan] * 2), longitude=("station", [np.nan] * 2))
    with pytest.raises(DataError, match="no station has both a position and data"):
        link_stations(traps(latitude=[45.0], longitude=[9.0]), weather)
