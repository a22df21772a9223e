"""Simulated weather: the settings it was asked for come back out of a long series."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from phenofit.errors import ModelError
from phenofit.simulate import Climate, simulate_weather, with_gaps

STATIONS = pd.DataFrame(
    {
        "station": ["low", "high", "north"],
        "latitude": [42.0, 42.0, 44.0],
        "longitude": [-98.0, -98.5, -98.0],
        "elevation_m": [500, 1500, 500],
    }
)


def test_lapse_rate_and_latitude_come_back_as_differences_of_the_means() -> None:
    weather = simulate_weather(STATIONS, first="1901-01-01", last="2000-12-31", seed=3)
    mean = ((weather.tmin + weather.tmax) / 2).mean("time")
    # 1000 m at -6.5 degC per km (the standard atmosphere's lapse rate, ISO 2533) and 2 degrees at -0.75.
    assert float(mean.sel(station="high") - mean.sel(station="low")) == pytest.approx(-6.5, abs=0.15)
    assert float(mean.sel(station="north") - mean.sel(station="low")) == pytest.approx(-1.5, abs=0.15)
    assert float(mean.sel(station="low")) == pytest.approx(10.0, abs=0.4)


def test_anomalies_have_the_asked_spread_memory_and_shared_part() -> None:
    climate = Climate(year_sd=0.0, amplitude=0.0, day_sd=3.0, memory=0.6, regional_share=0.7)
    weather = simulate_weather(STATIONS, first="1901-01-01", last="2000-12-31", climate=climate, seed=5)
    mean = ((weather.tmin + weather.tmax) / 2).to_numpy()
    anomaly = mean - mean.mean(axis=1, keepdims=True)
    assert anomaly.std() == pytest.approx(3.0, rel=0.03)
    # Lag-one correlation of a first-order autoregressive series is its memory (any textbook of time series).
    assert np.corrcoef(anomaly[0, :-1], anomaly[0, 1:])[0, 1] == pytest.approx(0.6, abs=0.02)
    assert np.corrcoef(anomaly[0], anomaly[1])[0, 1] == pytest.approx(0.7, abs=0.03)


def test_coldest_and_warmest_time_lie_where_asked() -> None:
    weather = simulate_weather(STATIONS, first="1901-01-01", last="2000-12-31", seed=7)
    mean = ((weather.tmin + weather.tmax) / 2).sel(station="low").groupby("time.month").mean()
    assert int(mean.idxmin()) == 1
    assert int(mean.idxmax()) == 7
    south = simulate_weather(
        STATIONS, first="1951-01-01", last="2000-12-31", climate=Climate(coldest=200), seed=7
    )
    assert int(((south.tmin + south.tmax) / 2).sel(station="low").groupby("time.month").mean().idxmin()) == 7


def test_no_day_has_its_minimum_above_its_maximum_and_values_are_tenths() -> None:
    weather = simulate_weather(STATIONS, first="1990-01-01", last="2010-12-31", seed=11)
    assert bool((weather.tmin < weather.tmax).all())
    assert np.allclose(weather.tmax * 10, np.round(weather.tmax * 10), atol=1e-9)


def test_same_seed_same_values_other_seed_other_values() -> None:
    def draw(seed: int) -> bytes:
        weather = simulate_weather(STATIONS, first="2020-01-01", last="2020-12-31", seed=seed)
        return bytes(weather.tmin.to_numpy().tobytes())

    assert draw(1) == draw(1)
    assert draw(1) != draw(2)


def test_a_gap_takes_out_its_days_and_no_others() -> None:
    weather = simulate_weather(STATIONS, first="2020-01-01", last="2020-12-31", seed=1)
    holed = with_gaps(weather, [("high", "2020-02-28", "2020-03-01")])
    missing = holed.tmin.isnull()
    assert int(missing.sum()) == 3  # 2020 is a leap year
    assert set(holed.time.where(missing.any("station"), drop=True).dt.strftime("%m-%d").values) == {
        "02-28",
        "02-29",
        "03-01",
    }
    assert int((holed.source == 0).sum()) == 3
    assert int(weather.tmin.isnull().sum()) == 0, "the series given in is left as it was"


def test_wrong_settings_are_refused_with_the_value() -> None:
    with pytest.raises(ModelError, match=r"1\.0"):
        Climate(memory=1.0)
    with pytest.raises(ModelError, match="regional_share"):
        Climate(regional_share=1.2)
    with pytest.raises(ModelError, match="before it begins"):
        simulate_weather(STATIONS, first="2020-02-01", last="2020-01-01")
    weather = simulate_weather(STATIONS, first="2020-01-01", last="2020-01-31")
    with pytest.raises(ModelError, match="there are low, high, north"):
        with_gaps(weather, [("nowhere", "2020-01-01", "2020-01-02")])
    with pytest.raises(ModelError, match="no day of the series"):
        with_gaps(weather, [("low", "2021-01-01", "2021-01-02")])
