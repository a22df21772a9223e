"""Date maps: against the dates of the stations themselves, against a known gradient, and what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.errors import ModelError
from phenofit.files.pictures import save_figure
from phenofit.heat import accumulate, dates_reaching, degree_days
from phenofit.maps.drawing.date_maps import draw_date_map
from phenofit.maps.export import write_error_map, write_geotiff
from phenofit.maps.grid_weather import source_places, weather_on_cells
from phenofit.maps.projection import plane_for
from tests.calls import date_map
from tests.forecast.fits import small_fit


def invented_weather(first: str, last: str, *, warm: dict[int, float] | None = None) -> xr.Dataset:
    """Stations on a square, warmer to the south by 1 K per 50 km, the same every year but for `warm` [K]."""
    time = pd.date_range(first, last, freq="D")
    lat, lon = (v.ravel() for v in np.meshgrid(np.linspace(41.0, 42.8, 5), np.linspace(-98.0, -96.0, 5)))
    wave = 9.0 - 14.0 * np.cos(2 * np.pi * (time.day_of_year.to_numpy() - 20) / 365.25)
    extra = np.array([(warm or {}).get(y, 0.0) for y in time.year])
    mean = wave + extra + ((42.0 - lat) * 111.195 / 50.0)[:, None]
    coords = {
        "station": [f"S{k}" for k in range(25)], "time": time, "latitude": ("station", lat),
        "longitude": ("station", lon), "elevation": ("station", np.full(25, 400.0)),
    }  # fmt: skip
    units = {"units": "degC"}
    return xr.Dataset(
        {"tmin": (("station", "time"), mean - 6.0, units), "tmax": (("station", "time"), mean + 6.0, units)},
        coords,
    )


@pytest.fixture(scope="module")
def result() -> xr.Dataset:
    weather = invented_weather("2015-01-01", "2018-12-31", warm={2018: 1.0})
    return date_map(small_fit(), weather, cell_km=12, draws=40, invented=True)


def _station_day(weather: xr.Dataset, station: str, year: int) -> float:
    fit = small_fit()
    one = weather.sel(station=station, time=str(year))
    daily = degree_days(one["tmin"], one["tmax"], base=fit.base, method=fit.settings.heat.method)
    reached = dates_reaching(
        accumulate(daily, start=fit.settings.season.start), fit.event_amount("flight_50", 1)
    )
    moment = np.datetime64(np.asarray(reached).ravel()[0], "s")
    return float((moment - np.datetime64(f"{year}-01-01", "s")) / np.timedelta64(1, "D"))


def test_average_at_a_station_is_that_of_the_station(result: xr.Dataset) -> None:
    weather = invented_weather("2015-01-01", "2018-12-31", warm={2018: 1.0})
    for station in ("S6", "S12", "S18"):
        place = weather.sel(station=station)
        expected = np.mean([_station_day(weather, station, y) for y in (2015, 2016, 2017)])
        plane = plane_for(weather["longitude"].to_numpy(), weather["latitude"].to_numpy())
        x, y = plane.to_plane(np.array([place["longitude"]]), np.array([place["latitude"]]))
        there = result["average_event_day"].sel(x=x[0], y=y[0], method="nearest")
        # A cell is up to 8 km from its station: at most 0.2 K, or about a day and a half.
        assert float(there) == pytest.approx(expected, abs=2.0)


def test_warm_season_is_earlier_and_the_south_too(result: xr.Dataset) -> None:
    assert result.attrs["season"] == "2018"
    assert float(result["difference_days"].max()) < -1.0
    north, south = (
        result["event_day"].isel(y=slice(0, 4)).mean(),
        result["event_day"].isel(y=slice(-4, None)).mean(),
    )
    assert float(south) < float(north) - 5
    inside = np.isfinite(result["event_day"])
    assert bool((result["event_day_low"] <= result["event_day"]).where(inside, True).all())
    assert bool((result["event_day"] <= result["event_day_high"]).where(inside, True).all())


def test_running_season_is_wider_than_a_finished_one(result: xr.Dataset) -> None:
    warm = {2015: -2.5, 2016: 2.5, 2018: 0.0}
    whole = invented_weather("2015-01-01", "2018-12-31", warm=warm)
    cut = whole.sel(time=slice(None, "2018-03-31"))
    running, finished = (date_map(small_fit(), w, cell_km=30, draws=60) for w in (cut, whole))
    assert running.attrs["weather_until"] == "2018-03-31"
    widths = [float((d["event_day_high"] - d["event_day_low"]).mean()) for d in (running, finished)]
    assert widths[0] > widths[1] + 2.0


def test_gap_in_the_season_is_not_filled(result: xr.Dataset) -> None:
    weather = invented_weather("2015-01-01", "2018-12-31")
    weather = weather.where(
        ~((weather["time"] >= np.datetime64("2018-04-10")) & (weather["time"] < np.datetime64("2018-04-20")))
    )
    for name in ("tmin", "tmax"):
        weather[name].attrs["units"] = "degC"
    found = date_map(small_fit(), weather, cell_km=30, draws=10)
    assert not np.isfinite(found["event_day"]).any(), "a sum over a gap is unknown, not smaller"
    assert float(found["reached"].max()) == 0.0


def test_grid_gives_the_same_as_its_cells_as_stations() -> None:
    stations = invented_weather("2016-01-01", "2018-12-31")
    lat, lon = np.unique(stations["latitude"]), np.unique(stations["longitude"])
    grid = xr.Dataset(
        {
            name: (
                ("time", "latitude", "longitude"),
                stations[name].to_numpy().reshape(5, 5, -1).T,
                {"units": "degC"},
            )
            for name in ("tmin", "tmax")
        },
        {"time": stations["time"], "latitude": lat, "longitude": lon},
    )
    sources = source_places(grid)
    plane = plane_for(sources.longitude, sources.latitude)
    cells = np.column_stack(plane.to_plane(stations["longitude"].to_numpy(), stations["latitude"].to_numpy()))
    tmin, _ = weather_on_cells(sources, plane, cells)
    np.testing.assert_allclose(tmin, stations["tmin"], atol=1e-9)


def test_heights_move_temperatures_along_the_lapse_rate() -> None:
    sources = source_places(invented_weather("2018-01-01", "2018-01-10"))
    plane = plane_for(sources.longitude, sources.latitude)
    cells = np.array([[0.0, 0.0]])
    low, _ = weather_on_cells(sources, plane, cells, heights=np.array([400.0]))
    high, _ = weather_on_cells(sources, plane, cells, heights=np.array([1400.0]))
    np.testing.assert_allclose(low - high, 6.5)


def test_pictures_and_files(result: xr.Dataset, tmp_path: Path) -> None:
    for name in ("date", "against average"):
        figure = draw_date_map(result, name)
        save_figure(figure, tmp_path / f"{name}.png", dpi=40)
        assert (tmp_path / f"{name}.png").stat().st_size > 5_000
    labels = [t.get_text() for t in draw_date_map(result, "date").axes[1].get_xticklabels()]
    assert any("Jun" in t or "Jul" in t or "May" in t for t in labels)
    write_error_map(result, tmp_path / "dates.nc")
    again = xr.load_dataset(tmp_path / "dates.nc", engine="netcdf4", decode_timedelta=False)
    np.testing.assert_array_equal(again["event_day"], result["event_day"])
    write_geotiff(result, tmp_path / "dates.tif")
    with pytest.raises(ModelError, match="is no date map"):
        draw_date_map(result, "speed")


@pytest.mark.parametrize(
    ("first", "last", "year", "message"),
    [
        ("2018-01-01", "2018-12-31", None, "no whole season before 2018"),
        ("2016-01-01", "2018-12-31", 2025, "does not hold the start of season 2025"),
    ],
)
def test_weather_that_is_too_short(first: str, last: str, year: int | None, message: str) -> None:
    with pytest.raises(ModelError, match=message):
        date_map(small_fit(), invented_weather(first, last), year=year, cell_km=30, draws=4)


def test_weather_without_unit_is_refused() -> None:
    weather = invented_weather("2016-01-01", "2018-12-31")
    del weather["tmin"].attrs["units"]
    with pytest.raises(ModelError, match="'tmin' has the unit 'None'"):
        date_map(small_fit(), weather)
