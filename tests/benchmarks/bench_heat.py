"""Speed of the heat kernels, as ratios within one run: ``python -m tests.benchmarks.bench_heat [--small]``.

Prints a table and writes ``bench_heat.json`` beside this file. Every time is the best of a few. Outputs are allocated
beforehand on both sides of each ratio. The grid is read from an uncompressed NetCDF file in a temporary folder, which
needs about 2.6 GB at full size; its highest memory is measured in a process of its own.
"""
# ruff: noqa: T201 - a table is what this script is for

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.heat.arrays import heat_of_days
from phenofit.heat.compiled.daily_kernels import METHOD_CODES
from phenofit.heat.compiled.threads import processors

RESULT = Path(__file__).with_name("bench_heat.json")
SINE = METHOD_CODES["single sine"]
GRID = (621, 1405, 365)


def best(work: Callable[[], object], times: int = 3) -> float:
    """Return the shortest of a few runs [s]."""
    found = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        found.append(time.perf_counter() - begun)
    return min(found)


def days(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Invented days, a third of them across the base."""
    rng = np.random.default_rng(1)
    middle = rng.normal(12.0, 8.0, count).astype(np.float32)
    half = rng.uniform(0.0, 9.0, count).astype(np.float32)
    low = middle - half
    middle += half
    return low, middle


def plain_numpy(low: np.ndarray, high: np.ndarray, base: float) -> np.ndarray:
    """The single sine in plain array expressions of the closed form."""
    mean = 0.5 * (low + high)
    half = np.maximum(0.5 * (high - low), np.float32(1e-6))
    z = np.clip((base - mean) / half, -1.0, 1.0)
    angle = np.arccos(z)
    inside = (half * np.sqrt(1.0 - z * z) + (mean - base) * angle) / np.float32(np.pi)
    return np.where(base <= low, mean - base, np.where(base >= high, np.float32(0.0), inside))


def kernel(
    low: np.ndarray, high: np.ndarray, out: np.ndarray, *, upper: float | None, threads: int | None
) -> None:
    code = 0 if upper is None else 1
    top = np.inf if upper is None else upper
    heat_of_days(low, high, None, codes=(SINE, code), base=10.0, upper=top, threads=threads, out=out)


def cells(count: int) -> dict[str, Any]:
    """Compare the kernel with plain NumPy and with an addition."""
    low, high = days(count)
    out = np.zeros_like(low)
    kernel(low[:10], high[:10], out[:10], upper=None, threads=1)
    add = best(lambda: np.add(low, high, out=out), 5)
    numpy_time = best(lambda: plain_numpy(low, high, 10.0), 2)
    found: dict[str, Any] = {"cells": count, "addition_s": add, "plain_numpy_s": numpy_time}
    for name, upper, threads in (
        ("one thread", None, 1),
        ("all threads", None, None),
        ("all threads, horizontal cut-off", 30.0, None),
    ):
        taken = best(partial(kernel, low, high, out, upper=upper, threads=threads), 7)
        # On a busy machine the quickest addition is the honest yardstick.
        add = found["addition_s"] = min(add, best(lambda: np.add(low, high, out=out), 7))
        found[name] = {"s": taken, "faster_than_numpy": numpy_time / taken}
    for row in found.values():
        if isinstance(row, dict):
            row["of_addition"] = row["s"] / add
    return found


def linear(sizes: tuple[int, ...]) -> list[dict[str, float]]:
    """Time per cell at three sizes, single sine in float64, one thread."""
    found = []
    for size in sizes:
        low, high = (part.astype(float) for part in days(size))
        out = np.empty_like(low)
        taken = best(partial(kernel, low, high, out, upper=None, threads=1))
        found.append({"cells": size, "ns_per_cell": 1e9 * taken / size})
    return found


def write_invented_grid(path: Path, shape: tuple[int, int, int]) -> None:
    """Write an invented year of a grid, time first, slab by slab."""
    import netCDF4

    rows, columns, count = shape
    rng = np.random.default_rng(2)
    with netCDF4.Dataset(path, "w") as file:
        for name, size in (("time", count), ("y", rows), ("x", columns)):
            file.createDimension(name, size)
        stamp = file.createVariable("time", "i4", ("time",))
        stamp.units, stamp.calendar = "days since 2023-01-01", "standard"
        stamp[:] = np.arange(count)
        parts = [file.createVariable(name, "f4", ("time", "y", "x")) for name in ("tmin", "tmax")]
        for part in parts:
            part.units = "degC"
        noise = rng.normal(0.0, 3.0, (rows, columns)).astype("f4")
        for d in range(count):
            warmth = 11.0 - 11.0 * np.cos(2.0 * np.pi * (d - 15) / 365.0)
            parts[0][d] = warmth - 6.0 + np.roll(noise, d, axis=1)
            parts[1][d] = warmth + 6.0 + np.roll(noise, d, axis=1)


def grid_season(path: str) -> None:
    """Sums and dates over a grid in this process; prints times and the highest memory as JSON."""
    import resource

    from phenofit.heat.grids import heat_maps, open_grid

    def read() -> None:
        low, high = open_grid(path)
        xr.Dataset({"a": low.max("time"), "b": high.max("time")}).compute()

    def work() -> None:
        maps = heat_maps(
            *open_grid(path), amounts=[100.0, 250.0, 500.0, 900.0], start="01-01", base=10.0, upper=30.0
        )
        maps.compute()

    first = best(work, 1)
    base = best(read, 2)
    again = best(work, 2)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    print(
        json.dumps(
            {"read_s": base, "first_s": first, "s": again, "of_reading": again / base, "peak_GiB": peak}
        )
    )


def grid(shape: tuple[int, int, int]) -> dict[str, Any]:
    """Season of a grid in a process of its own."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "grid.nc"
        write_invented_grid(path, shape)
        call = [sys.executable, "-m", "tests.benchmarks.bench_heat", "--season-of", str(path)]
        done = subprocess.run(call, capture_output=True, text=True, check=True)
    return {"shape": list(shape), **json.loads(done.stdout.splitlines()[-1])}


def start_up() -> dict[str, float]:
    """Time of the help, and of a first compiled call with and without the cache on disk."""
    command = [sys.executable, "-m", "phenofit", "--help"]
    call = "from phenofit.heat import degree_days as d; d(4.0, 21.0, base=10.0)"

    def python(**environment: str) -> float:
        run = [sys.executable, "-c", call]
        return best(lambda: subprocess.run(run, check=True, env={**os.environ, **environment}), 2)

    with tempfile.TemporaryDirectory() as folder:
        cold = best(
            lambda: subprocess.run(
                [sys.executable, "-c", call], check=True, env={**os.environ, "NUMBA_CACHE_DIR": folder}
            ),
            1,
        )
        warm = python(NUMBA_CACHE_DIR=folder)
    helped = best(lambda: subprocess.run(command, check=True, capture_output=True), 3)
    imports = best(
        lambda: subprocess.run([sys.executable, "-c", "import phenofit.heat.daily"], check=True), 2
    )
    return {
        "help_s": helped,
        "import_s": imports,
        "first_call_without_cache_s": cold,
        "first_call_with_cache_s": warm,
    }


def show(result: dict[str, Any]) -> None:
    one = result["cells"]
    print(
        f"{one['cells']:.0e} cell-days float32: addition {one['addition_s']:.3f} s, NumPy {one['plain_numpy_s']:.2f} s"
    )
    print(f"{'single sine':<34}{'s':>8}{'x addition':>12}{'x faster than NumPy':>22}")
    for name in ("one thread", "all threads", "all threads, horizontal cut-off"):
        row = one[name]
        print(f"{name:<34}{row['s']:>8.3f}{row['of_addition']:>12.2f}{row['faster_than_numpy']:>22.1f}")
    for row in result["linear"]:
        print(f"{row['cells']:>12,} cells: {row['ns_per_cell']:.2f} ns per cell (float64, exact, one thread)")
    print("grid season:", json.dumps(result["grid"]))
    print("start-up:", json.dumps(result["start_up"]))


def main() -> None:
    parser = argparse.ArgumentParser(description="Speed of the heat kernels.")
    parser.add_argument(
        "--small", action="store_true", help="a tenth of the cells and a small grid; writes nothing"
    )
    parser.add_argument("--season-of", metavar="FILE", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.season_of:
        grid_season(args.season_of)
        return
    # The grid first: the highest memory of a child begins at that of its parent, here still small.
    season = grid((60, 140, 365) if args.small else GRID)
    result = {
        "machine": {
            "processors": processors(),
            "load": os.getloadavg()[0],
            "python": platform.python_version(),
            "numpy": np.__version__,
        },
        "date": str(pd.Timestamp.now().date()),
        "cells": cells(10**7 if args.small else 10**8),
        "linear": linear((10**5, 10**6, 10**7)),
        "grid": season,
        "start_up": start_up(),
    }
    show(result)
    if not args.small:
        RESULT.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
