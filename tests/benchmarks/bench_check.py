"""`phenofit check` on a large catch table, beside pandas' own reading of the same files.

Times are those of the processor, which other work on the machine changes little.
"""

from __future__ import annotations

import contextlib
import io
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from tests.benchmarks.measured import Row, against
from tests.studies import study_text

YEARS = range(2010, 2020)
CHECKS = 40  # of a trap in a year
STATIONS = 10


def write_large(folder: Path, checks: int) -> Path:
    """Write a study of so many checks in ten years at traps near ten stations; return its study file."""
    rng = np.random.default_rng(1)
    traps = max(1, checks // (CHECKS * len(YEARS)))
    names = [f"T{i + 1:04d}" for i in range(traps)]
    pd.DataFrame(
        {
            "trap": names,
            "latitude": 44 + (0.25 * rng.random(traps)).round(4),
            "longitude": -98 + (0.25 * rng.random(traps)).round(4),
            "elevation_m": 400,
        }
    ).to_csv(folder / "traps.csv", index=False)
    starts = pd.to_datetime([f"{year}-04-10" for year in YEARS])
    days = (starts.to_numpy()[:, None] + np.arange(CHECKS) * np.timedelta64(4, "D")).ravel()
    mean = np.tile(30 * np.exp(-(((np.arange(CHECKS) - 18) / 6) ** 2)), len(YEARS))
    pd.DataFrame(
        {
            "trap": np.repeat(names, len(days)),
            "date": np.tile(np.datetime_as_string(days.astype("datetime64[D]")), traps),
            "count": rng.poisson(np.tile(mean, traps)),
        }
    ).to_csv(folder / "catches.csv", index=False)
    stations = [f"S{i + 1}" for i in range(STATIONS)]
    pd.DataFrame(
        {
            "station": stations,
            "latitude": 44 + (0.25 * rng.random(STATIONS)).round(4),
            "longitude": -98 + (0.25 * rng.random(STATIONS)).round(4),
            "elevation_m": 400,
        }
    ).to_csv(folder / "stations.csv", index=False)
    calendar = np.arange(f"{YEARS[0]}-01-01", f"{YEARS[-1] + 1}-01-01", dtype="datetime64[D]")
    season = 12 - 14 * np.cos(2 * np.pi * np.arange(len(calendar)) / 365.25)
    low = season + rng.normal(0, 3, (STATIONS, len(calendar)))
    pd.DataFrame(
        {
            "station": np.repeat(stations, len(calendar)),
            "date": np.tile(np.datetime_as_string(calendar), STATIONS),
            "tmin": low.ravel().round(1),
            "tmax": (low + 4 + 8 * rng.random(low.shape)).ravel().round(1),
        }
    ).to_csv(folder / "weather.csv", index=False)
    path = folder / "study.toml"
    path.write_text(study_text("invented borer"), encoding="utf-8")
    return path


def _best(times: int, work: Callable[[], object]) -> float:
    found = []
    for _ in range(times):
        begun = time.process_time()
        work()
        found.append(time.process_time() - begun)
    return min(found)


def _check(path: Path) -> None:
    from phenofit.cli import main

    with contextlib.redirect_stdout(io.StringIO()):
        assert main(["check", str(path)]) == 0


def _peak(path: Path) -> float:
    """Return the peak of memory of a check in a process of its own [MiB]."""
    code = (
        "import resource, sys; from phenofit.cli import main; main(['check', sys.argv[1]]); "
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True)
    unit = 1024**2 if sys.platform == "darwin" else 1024
    return int(done.stderr.splitlines()[-1]) / unit


def rows(*, small: bool) -> list[Row]:
    """Time the check of a million checks of traps, at small size of 50,000."""
    checks, times = (50_000, 2) if small else (1_000_000, 1)
    with tempfile.TemporaryDirectory() as name:
        path = write_large(Path(name), checks)
        catches, weather = path.parent / "catches.csv", path.parent / "weather.csv"
        table = _best(times, lambda: pd.read_csv(catches, parse_dates=["date"]))
        every = table + _best(times, lambda: pd.read_csv(weather, parse_dates=["date"]))
        first = Path(name) / "first"
        first.mkdir()
        _check(write_large(first, 2_000))  # compiles what has to be compiled
        taken = _best(times, lambda: _check(path))
        return [
            against(f"check of {checks:,} checks", taken, "pandas reads catches and weather", every),
            Row(f"check of {checks:,} checks, highest memory", _peak(path), "MiB"),
        ]
