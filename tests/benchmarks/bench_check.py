"""Measure `phenofit check` on a large catch table, beside pandas' own reading of the same file.

``python -m tests.benchmarks.bench_check`` prints the times of the processor, which other work on the machine changes little, their ratio, and the peak of memory.
"""

from __future__ import annotations

import argparse
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

from tests.studies import study_text

YEARS = range(2010, 2020)
CHECKS = 40  # of a trap in a year
STATIONS = 10
LARGEST_RATIO = 4.0
LARGEST_MIB = 400.0


def write_large(folder: Path, checks: int) -> Path:
    """Write a study of so many checks in ten years at traps near ten stations; return its study file."""
    rng = np.random.default_rng(1)
    traps = max(1, checks // (CHECKS * len(YEARS)))
    names = [f"T{i + 1:04d}" for i in range(traps)]
    pd.DataFrame(
        {
            "trap": names,
            "latitude": 44 + rng.random(traps).round(4),
            "longitude": -98 + rng.random(traps).round(4),
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
            "latitude": 44 + rng.random(STATIONS).round(4),
            "longitude": -98 + rng.random(STATIONS).round(4),
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


def main() -> None:
    """Print what was measured."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--checks", type=int, default=200_000)
    parser.add_argument("--times", type=int, default=3)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        path = write_large(Path(name), asked.checks)
        catches = path.parent / "catches.csv"
        table = _best(asked.times, lambda: pd.read_csv(catches, parse_dates=["date"]))
        every = table + _best(
            asked.times, lambda: pd.read_csv(path.parent / "weather.csv", parse_dates=["date"])
        )
        _check(path)  # compiles what has to be compiled
        check = _best(asked.times, lambda: _check(path))
        peak = _peak(path)
    sys.stdout.write(
        f"{asked.checks} checks, best of {asked.times}: pandas reads the catches in {table:.2f} s, with the weather "
        f"{every:.2f} s; check {check:.2f} s, {check / table:.1f} times the catches, {check / every:.1f} times both "
        f"(aim: {LARGEST_RATIO:g}); peak {peak:.0f} MiB (aim: {LARGEST_MIB:g})\n"
    )


if __name__ == "__main__":
    main()
