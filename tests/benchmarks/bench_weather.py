"""How long checking and filling take: ``python -m tests.benchmarks.bench_weather [STATIONS YEARS]``.

Prints one row: stations, years, seconds to check, seconds to fill, largest memory of the process. Made data.
"""

from __future__ import annotations

import resource
import sys
import time

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.weather import check_weather, fill_weather, new_dataset


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


def measure(stations: int, years: int) -> tuple[float, float, float]:
    """Return seconds to check, seconds to fill, and the process's largest memory [MB]."""
    weather = made_network(stations, years)
    begin = time.perf_counter()
    checked = check_weather(weather)
    middle = time.perf_counter()
    fill_weather(checked)
    end = time.perf_counter()
    return middle - begin, end - middle, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


if __name__ == "__main__":
    count, span = (int(a) for a in sys.argv[1:3]) if len(sys.argv) > 2 else (50, 40)
    check, fill, memory = measure(count, span)
    print(f"{count} stations x {span} years: check {check:.1f} s, fill {fill:.1f} s, {memory:.0f} MB")  # noqa: T201
