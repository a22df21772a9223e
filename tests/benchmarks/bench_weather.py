"""How long checking and filling take: ``python -m tests.benchmarks.bench_weather [STATIONS YEARS]``.

Prints a row for each size: stations, years, seconds to check and to fill, largest memory of the process. Without
arguments three sizes are measured, each in a process of its own, and written to ``bench_weather.json``. Made data.
"""
# ruff: noqa: T201 - rows are what this script is for

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import time
from pathlib import Path

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


def measure(stations: int, years: int) -> tuple[float, float, float, float]:
    """Return seconds to check and to fill, seconds of processor for both, and the largest memory [MB]."""
    weather = made_network(stations, years)
    begin, work = time.perf_counter(), time.process_time()
    checked = check_weather(weather)
    middle = time.perf_counter()
    fill_weather(checked)
    end = time.perf_counter()
    used = time.process_time() - work
    return middle - begin, end - middle, used, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


SIZES = ((25, 40), (50, 40), (50, 80))
RESULT = Path(__file__).with_name("bench_weather.json")


def main(arguments: list[str]) -> None:
    """Measure one size, or all of them."""
    if arguments:
        stations, years = (int(a) for a in arguments)
        check, fill, used, memory = measure(stations, years)
        row = {
            "stations": stations,
            "years": years,
            "check_s": check,
            "fill_s": fill,
            "processor_s": used,
            "memory_mb": memory,
        }
        print(json.dumps({k: round(v, 2) for k, v in row.items()}))
        return
    rows = []
    for stations, years in SIZES:
        command = [sys.executable, "-m", "tests.benchmarks.bench_weather", str(stations), str(years)]
        rows.append(json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout))
        print(rows[-1])
    RESULT.write_text(
        json.dumps({"processors": os.cpu_count(), "rows": rows}, indent=1) + "\n", encoding="utf-8"
    )


if __name__ == "__main__":
    main(sys.argv[1:])
