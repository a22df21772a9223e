"""How long a surface takes and how much memory it needs: ``python -m tests.benchmarks.bench_maps``.

Rows: 400 x 400 cells from 300 sites, and from 2 000 sites (each in a process of its own, for its highest memory), with
the variance of every cell; the first also by gstools' own kriging on a part of the cells, as a ratio within one run.
Prints a table and writes ``bench_maps.json`` beside this file; not a test.
"""
# ruff: noqa: T201 - a table is what this script is for

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from pathlib import Path

import gstools  # type: ignore[import-untyped]
import numpy as np

from phenofit.maps.kriging.ordinary import Kriging, SiteData
from phenofit.maps.kriging.restricted_likelihood import fit_kriging
from phenofit.maps.kriging.single_thread import one_thread

EXTENT, CELLS, PART = 400_000.0, 400, 4_000


def surface(sites: int) -> dict[str, float]:
    """Time the parameters and the surface of one invented network."""
    rng = np.random.default_rng(sites)
    points = rng.uniform(0, EXTENT, (sites, 2))
    values = np.sin(points[:, 0] / 6e4) + np.cos(points[:, 1] / 8e4) + rng.normal(0, 0.5, sites)
    data = SiteData(points, values, np.full(sites, 0.2), np.ones((sites, 1)))
    axis = (np.arange(CELLS) + 0.5) * EXTENT / CELLS
    cells = np.column_stack([v.ravel() for v in np.meshgrid(axis, axis)])
    begin = time.perf_counter()
    model = fit_kriging(data)
    fitted = time.perf_counter()
    with one_thread():  # as error_map does
        model.predict(cells, np.ones((len(cells), 1)))
    done = time.perf_counter()
    found = {
        "sites": sites,
        "cells": len(cells),
        "likelihood_s": fitted - begin,
        "surface_s": done - fitted,
        "highest_memory_MB": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }
    if sites <= 300:
        found["gstools_over_ours"] = _ratio(data, model, cells[:: len(cells) // PART])
    return found


def _ratio(data: SiteData, model: Kriging, cells: np.ndarray) -> float:
    shape = gstools.Exponential(dim=2, var=model.sill, len_scale=model.length)
    theirs = gstools.krige.Ordinary(
        shape, data.points.T, data.values, exact=False, cond_err=data.variances + model.nugget
    )
    begin = time.perf_counter()
    with one_thread():
        theirs(cells.T)
        middle = time.perf_counter()
        model.predict(cells, np.ones((len(cells), 1)))
    return (middle - begin) / (time.perf_counter() - middle)


def main() -> None:
    """Run each row in a process of its own."""
    rows = []
    for sites in (300, 2000):
        done = subprocess.run(
            [sys.executable, "-m", "tests.benchmarks.bench_maps", str(sites)],
            capture_output=True,
            text=True,
            check=True,
        )
        rows.append(json.loads(done.stdout))
        print({name: round(value, 2) for name, value in rows[-1].items()})
    text = json.dumps(rows, indent=1, sort_keys=True) + "\n"
    Path(__file__).with_suffix(".json").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    if len(sys.argv) > 1:
        print(json.dumps(surface(int(sys.argv[1]))))
    else:
        main()
