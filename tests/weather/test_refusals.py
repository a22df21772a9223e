"""Weather that cannot be used says why, and nothing in it is dropped without a word."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.errors import DataError
from phenofit.weather import findings, link_stations, notes, read_weather
from phenofit.weather.reading.assemble import wrong_unit_problems
from phenofit.weather.reading.hourly_table import daily_extremes
from phenofit.weather.schema import new_dataset

YEAR = np.arange("2023-01-01", "2024-01-01", dtype="datetime64[D]")


def waves(summer: float, winter: float, days: np.ndarray = YEAR) -> np.ndarray:
    """Return daily maxima between two monthly medians, warmest in July."""
    month = days.astype("datetime64[M]").astype(int) % 12
    return 0.5 * (summer + winter) + 0.5 * (summer - winter) * np.cos((month - 6) * np.pi / 6)


def refused(
    high: np.ndarray,
    days: np.ndarray = YEAR,
    *,
    day: float = 8.0,
    latitude: float = np.nan,
    elevation_m: float = np.nan,
) -> list[str]:
    """Return what is said of a series whose minima lie so far below its maxima."""
    table = pd.DataFrame({"station": ["A"], "latitude": [latitude], "elevation_m": [elevation_m]})
    return [str(p) for p in wrong_unit_problems(table, days, high[None] - day, high[None], "weather.csv")]


def test_fahrenheit_read_as_tenths_is_refused() -> None:
    # A July median of 90 degF and a January of 30 degF, read as tenths of a degree Celsius.
    (found,) = refused(waves(9.0, 3.0), latitude=43.0, elevation_m=300.0)
    assert "its warmest month has a median daily maximum of only 9.0 °C" in found
    assert "Fahrenheit read as tenths of a degree" in found
    # High up the summer may be as cold; days of 2 degC and years of 6 degC show the unit all the same.
    assert refused(waves(9.0, 3.0), latitude=43.0, elevation_m=1500.0) == []
    assert len(refused(waves(9.0, 3.0), latitude=43.0, elevation_m=1500.0, day=2.0)) == 1


def test_a_narrow_day_and_year_at_their_limits() -> None:
    assert refused(waves(9.0, 3.0), day=3.0, latitude=43.0, elevation_m=2000.0) == []
    assert len(refused(waves(9.0, 3.0), day=2.99, latitude=43.0, elevation_m=2000.0)) == 1
    assert refused(waves(9.0, 1.0), day=2.0, latitude=43.0, elevation_m=2000.0) == []
    assert len(refused(waves(9.0, 1.01), day=2.0, latitude=43.0, elevation_m=2000.0)) == 1
    assert refused(waves(12.0, 6.0), day=2.0, latitude=43.0, elevation_m=2000.0) == []


def test_the_limit_of_a_cold_summer_at_its_value() -> None:
    assert refused(waves(12.0, -10.0), latitude=45.0, elevation_m=0.0) == []
    assert len(refused(waves(11.99, -10.0), latitude=45.0, elevation_m=0.0)) == 1
    assert len(refused(waves(11.99, -10.0))) == 1  # without a position: that at sea level
    assert refused(waves(5.51, -10.0), latitude=45.0, elevation_m=1000.0) == []
    assert len(refused(waves(5.49, -10.0), latitude=45.0, elevation_m=1000.0)) == 1


def test_real_cold_places_are_kept() -> None:
    # Monthly means of daily maxima. An Alpine summit at 2500 m: about 9 in summer, -5 in winter (from
    # memory). One at 3570 m: about 3 and -11 (Jungfraujoch, a visitors' page: 3.1 in July, -10.5 in
    # February). An Arctic coast at 78 degrees north: about 8 and -9 (Svalbard Airport, WeatherSpark: 48 degF
    # in July, 15 degF in February).
    assert refused(waves(9.0, -5.0), latitude=47.2, elevation_m=2500.0) == []
    assert refused(waves(3.0, -11.0), latitude=46.5, elevation_m=3570.0) == []
    assert refused(waves(8.0, -9.0), latitude=78.2, elevation_m=10.0) == []
    assert len(refused(waves(-0.5, -20.0), latitude=78.2, elevation_m=10.0)) == 1


def test_a_cold_half_year_is_no_cold_summer() -> None:
    winter = np.arange("2023-10-01", "2024-05-01", dtype="datetime64[D]")
    assert refused(np.full(len(winter), 4.0), winter, latitude=45.0) == []
    summer = np.arange("2023-06-01", "2023-09-01", dtype="datetime64[D]")
    assert len(refused(np.full(len(summer), 4.0), summer, latitude=45.0)) == 1
    assert refused(np.full(len(summer), 4.0), summer, latitude=-45.0) == []  # their winter
    assert refused(np.full(len(summer), 4.0), summer) == []  # which it is, is not known


def archive(folder: Path, *rows: str) -> Path:
    path = folder / "XX000012345.csv"
    path.write_text("\n".join(f"XX000012345,{row}" for row in rows) + "\n", encoding="ascii")
    return path


def test_a_second_value_of_an_archive_day_follows_the_rule_and_is_counted(tmp_path: Path) -> None:
    path = archive(
        tmp_path,
        "20240601,TMAX,220,,,S,", "20240601,TMIN,100,,,S,",
        "20240602,TMAX,241,,,S,", "20240602,TMIN,101,,,S,", "20240602,TMIN,55,,,S,",
        "20240603,TMAX,250,,,S,", "20240603,TMAX,250,,,S,", "20240603,TMIN,110,,,S,",
    )  # fmt: skip

    def day(rule: str) -> tuple[list[float], list[float]]:
        weather = read_weather(path, form="ghcn-daily", duplicates=rule)
        return weather["tmin"].values[0].tolist(), weather["tmax"].values[0].tolist()

    assert day("first") == ([10.0, 10.1, 11.0], [22.0, 24.1, 25.0])
    assert day("last") == ([10.0, 5.5, 11.0], [22.0, 24.1, 25.0])
    low, high = day("missing")
    assert np.isnan([low[1], high[1]]).all()
    assert (low[0], low[2], high[2]) == (10.0, 11.0, 25.0)
    weather = read_weather(path, form="ghcn-daily")
    told = " ".join(notes(weather))
    assert "1 days are duplicates with different values, none was used: XX000012345 2024-06-02" in told
    assert "1 days are duplicates with the same values" in told
    rows = findings(weather)
    assert rows["flag"].tolist() == ["duplicate_date", "duplicate_date"]
    assert rows["tmin"].tolist() == [10.1, 5.5]


def test_a_second_value_that_failed_a_check_of_the_archive_is_no_contradiction(tmp_path: Path) -> None:
    path = archive(
        tmp_path,
        "20240602,TMAX,241,,,S,",
        "20240602,TMIN,101,,,S,",
        "20240602,TMIN,55,,X,S,",
        "20240603,TMAX,250,,,S,",
    )
    weather = read_weather(path, form="ghcn-daily")
    assert weather["tmin"].values[0].tolist()[0] == 10.1
    assert "1 values failed a quality check" in " ".join(notes(weather))


@pytest.mark.parametrize(
    ("name", "values", "units"),
    [
        ("tmin", np.array([["5.0"] * 3]), "degC"),
        ("tmax", np.array([["warm"] * 3], dtype=object), "degC"),
        ("time", np.array(["2024-05-01", "2024-05-02", "2024-05-03"]), "days since 2024-05-01"),
        ("latitude", np.array(["45 N"]), "degrees_north"),
    ],
)
def test_text_in_a_netcdf_variable_is_refused(
    name: str, values: np.ndarray, units: str, tmp_path: Path
) -> None:
    data: dict[str, tuple[tuple[str, ...], np.ndarray, dict[str, str]]] = {
        "tmin": (("station", "time"), np.full((1, 3), 5.0), {"units": "degC"}),
        "tmax": (("station", "time"), np.full((1, 3), 15.0), {"units": "degC"}),
        "time": (("time",), np.arange(3.0), {"units": "days since 2024-05-01"}),
        "latitude": (("station",), np.array([45.0]), {"units": "degrees_north", "standard_name": "latitude"}),
        "longitude": (("station",), np.array([9.0]), {"units": "degrees_east", "standard_name": "longitude"}),
    }
    dims, _, attrs = data[name]
    data[name] = (dims, values, {**attrs, "units": units})
    path = tmp_path / "weather.nc"
    xr.Dataset(data).to_netcdf(path, engine="netcdf4")
    with pytest.raises(DataError) as caught:
        read_weather(path)
    assert f"weather.nc, column '{name}': the variable holds text, not numbers." in str(caught.value)


PLACE = pd.DataFrame({"station": ["A"], "latitude": [45.0], "longitude": [9.0]})
TRAPS = pd.DataFrame({"trap": ["T"], "latitude": [45.0], "longitude": [9.0]})
MAY = np.arange("2024-05-01", "2024-05-31", dtype="datetime64[D]")


def unlinked(weather: xr.Dataset) -> str:
    with pytest.raises(DataError) as caught:
        link_stations(TRAPS, weather)
    return str(caught.value)


def test_no_station_with_data_says_what_its_days_lack(tmp_path: Path) -> None:
    none = np.full((1, len(MAY)), np.nan)
    assert "A has none of 30 days complete (all missing)" in unlinked(new_dataset(PLACE, MAY, none, none))
    bare = new_dataset(PLACE[["station"]], MAY, none + 5.0, none + 9.0)
    bare["tmin"][:], bare["tmax"][:] = 5.0, 9.0
    assert "A has 30 complete days, but no position" in unlinked(bare)
    # Six readings a day: fewer hours than a day needs.
    hours = np.arange("2024-05-01", "2024-05-31", 4, dtype="datetime64[h]")
    rows = daily_extremes(np.full(len(hours), "A"), hours, np.full(len(hours), 12.0))
    assert "fewer than 20 hours" in " ".join(rows.notes)
    few = new_dataset(PLACE, MAY, none, none, flag=np.full((1, len(MAY)), rows.flag[0]))
    assert "A has none of 30 days complete (30 with too few hours)" in unlinked(few)
    # Every day twice, with different values.
    text = "station,date,tmin,tmax\n" + "".join(f"A,{d},5,{t}\n" for d in MAY for t in (15, 16))
    (tmp_path / "weather.csv").write_text(text, encoding="utf-8")
    twice = read_weather(tmp_path / "weather.csv", unit="degC", stations=PLACE)
    assert "A has none of 30 days complete (30 with duplicate date)" in unlinked(twice)


def test_a_day_with_exactly_the_least_hours_counts() -> None:
    def hours(count: int) -> float:
        stamps = np.datetime64("2024-05-01T00") + np.arange(count).astype("timedelta64[h]")
        return float(daily_extremes(np.full(count, "A"), stamps, np.full(count, 12.0)).tmin[0])

    assert hours(20) == 12.0
    assert np.isnan(hours(19))


def test_a_distance_just_above_the_limit_is_printed_above_it() -> None:
    weather = new_dataset(PLACE, MAY, np.full((1, 30), 5.0), np.full((1, 30), 15.0))
    north = TRAPS.assign(latitude=45.0 + 40.02 / 111.195)
    with pytest.raises(DataError, match=r"is 40\.02 km away; the limit is 40 km"):
        link_stations(north, weather)
    distance = link_stations(north, weather, max_distance_km=100.0)["distance_km"].item()
    # At its value the limit is kept.
    assert link_stations(north, weather, max_distance_km=distance)["station"].item() == "A"
    with pytest.raises(DataError):
        link_stations(north, weather, max_distance_km=np.nextafter(distance, 0.0))


def test_the_least_share_of_days_at_its_value() -> None:
    two = pd.DataFrame({"station": ["near", "far"], "latitude": [45.0, 45.1], "longitude": [9.0, 9.0]})
    low = np.full((2, 30), 5.0)
    low[0, 15:] = np.nan
    weather = new_dataset(two, MAY, low, low + 10.0)
    assert link_stations(TRAPS, weather, min_share=0.5)["station"].item() == "near"
    found = link_stations(TRAPS, weather, min_share=0.5001).iloc[0]
    assert found["station"] == "far"
    assert found["passed_over"] == "near (50 % of the days)"


def test_a_station_without_a_day_is_named_and_no_other_is_offered(tmp_path: Path) -> None:
    (tmp_path / "stations.csv").write_text(
        "station,latitude,longitude,elevation_m\nDE_Georgetown,45.0,9.0,10\nNJ_Georgetown,45.1,9.0,10\n",
        encoding="utf-8",
    )
    text = "station,date,tmin,tmax\n" + "".join(f"NJ_Georgetown,{d},5,15\n" for d in MAY)
    (tmp_path / "weather.csv").write_text(text, encoding="utf-8")
    weather = read_weather(tmp_path / "weather.csv", unit="degC", stations=tmp_path / "stations.csv")
    with pytest.raises(DataError) as caught:
        link_stations(TRAPS.assign(station="DE_Georgetown"), weather)
    assert "'DE_Georgetown' is in the station table, but no weather file has a day of it" in str(caught.value)
    assert "Did you mean" not in str(caught.value)
    with pytest.raises(DataError, match="Did you mean 'NJ_Georgetown'"):
        link_stations(TRAPS.assign(station="NJ_Gorgetown"), weather)
