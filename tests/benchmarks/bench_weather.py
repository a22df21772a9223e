"""How long checking and filling the weather of a network takes."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.weather import check_weather, fill_weather, new_dataset
from tests.benchmarks.measured import Row, best


def made_network(stations: int, years: int, *, seed: int = 1) -> xr.Dataset:
    """Return a made network: one weather for all, own noise, gaps of 1 to 20 days and a few spikes."""
    random = np.random.default_rng(seed)
    days = np.arange(np.datetime64("1980-01-01"), np.datetime64(f"{1980 + years}-01-01"))
    phase = 2 * np.pi * np.arange(len(days)) / 365.2425
    common = np.convolve(random.normal(0, 4, len(days) + 4), [0.3, 0.3, 0.2, 0.1, 0.1], mode="valid")
    height = random.uniform(100, 900, stations)
    yearly = 10 - 10 * np.cos(phase)
    mean = yearly[None] + common[None] - 0.006 * (height[:, None] - 400)
    low = mean - 5 + random.normal(0, 1, mean.shape)
    high = mean + 5 + random.normal(0, 1, mean.shape)
    for i in range(stations):
        for start in random.integers(10, len(days) - 40, size=4 * years):
            length = int(random.integers(1, 21)) // 4 + 1
            low[i, start : start + length] = np.nan
            high[i, start : start + length] = np.nan
        high[i, random.integers(10, len(days) - 10, size=years)] += 20
    table = pd.DataFrame(
        {
            "station": [f"S{i:03d}" for i in range(stations)],
            "latitude": random.uniform(45.0, 46.0, stations),
            "longitude": random.uniform(8.0, 9.0, stations),
            "elevation_m": height,
        }
    )
    return new_dataset(table, days, low, np.maximum(high, low))


def rows(*, small: bool) -> list[Row]:
    """Time the checks and the filling."""
    stations, years = (10, 10) if small else (50, 40)
    weather = made_network(stations, years)
    checked = check_weather(weather)
    size = f"{stations} stations, {years} years"
    return [
        Row(f"checking, {size}", best(lambda: check_weather(weather), 1)),
        Row(f"filling, {size}", best(lambda: fill_weather(checked), 1)),
    ]
