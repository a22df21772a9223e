"""How long a kriged surface takes, with the variance of every cell, beside gstools on a part of the cells."""

from __future__ import annotations

import time

import gstools  # type: ignore[import-untyped]
import numpy as np

from phenofit.maps.kriging.ordinary import Kriging, SiteData
from phenofit.maps.kriging.restricted_likelihood import fit_kriging
from phenofit.maps.kriging.single_thread import one_thread
from tests.benchmarks.measured import Row

EXTENT, CELLS, PART = 400_000.0, 400, 4_000


def surface(sites: int) -> list[Row]:
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
    name = f"surface of {len(cells):,} cells from {sites:,} sites"
    ratio = _ratio(data, model, cells[:: len(cells) // PART]) if sites <= 300 else None
    peer = f"gstools, {PART:,} of the cells" if ratio else ""
    return [
        Row(f"restricted likelihood, {sites:,} sites", fitted - begin),
        Row(name, done - fitted, "s", peer, ratio),
    ]


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


def rows(*, small: bool) -> list[Row]:
    """Time surfaces from 300 and, at full size, 2,000 sites."""
    return [row for sites in ((300,) if small else (300, 2_000)) for row in surface(sites)]
