"""Columns of a mean error that changes with latitude or elevation."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.errors import ModelError
from phenofit.maps.projection import Plane

DRIFTS = ("latitude", "elevation")


def drift_design(
    names: tuple[str, ...],
    table: pd.DataFrame,
    plane: Plane,
    cells: np.ndarray,
    *,
    elevation: xr.DataArray | None,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, tuple[str, ...]]:
    """Return the columns of the mean at sites and cells."""
    columns, cell_columns, notes = [np.ones(len(table))], [np.ones(len(cells))], []
    used = np.ones(len(table), dtype=bool)
    for name in names:
        if name not in DRIFTS:
            raise ModelError(f"'{name}' is no drift; accepted are {', '.join(DRIFTS)}.")
        if name == "latitude":
            at_sites = table["latitude"].to_numpy(float)
            at_cells = plane.to_earth(cells[:, 0], cells[:, 1])[1]
        else:
            at_sites = table["elevation_m"].to_numpy(float) / 1000.0
            if elevation is None:
                raise ModelError(
                    "a drift on elevation needs the heights of the cells: give an elevation grid."
                )
            at_cells = cell_heights(elevation, plane, cells) / 1000.0
            unknown = ~np.isfinite(at_sites)
            if unknown.any():
                absent = ", ".join(table["site"].to_numpy()[unknown])
                notes.append(f"Sites without an elevation do not enter the surface: {absent}.")
                used &= ~unknown
            if used.any():
                beyond = (at_cells < at_sites[used].min()) | (at_cells > at_sites[used].max())
                if beyond.any():
                    notes.append(
                        f"{beyond.mean():.0%} of the cells lie higher or lower than every site; "
                        "the drift is extended to them."
                    )
        middle = float(at_sites[used].mean()) if used.any() else 0.0
        columns.append(np.where(np.isfinite(at_sites), at_sites - middle, 0.0))
        cell_columns.append(at_cells - middle)
    return np.column_stack(columns), np.column_stack(cell_columns), used, tuple(notes)


def cell_heights(elevation: xr.DataArray, plane: Plane, cells: np.ndarray) -> np.ndarray:
    """Return the heights of cells from a grid of heights."""
    longitude, latitude = plane.to_earth(cells[:, 0], cells[:, 1])
    absent = [c for c in ("latitude", "longitude") if c not in elevation.dims]
    if absent:
        raise ModelError(
            f"the elevation grid has the dimensions {', '.join(map(str, elevation.dims))}; "
            "it must have latitude and longitude."
        )
    field = elevation.sortby("latitude").sortby("longitude")
    west = float(field["longitude"].min())
    wrapped = (longitude - west) % 360.0 + west
    heights = field.interp(
        latitude=xr.DataArray(latitude, dims="cell"), longitude=xr.DataArray(wrapped, dims="cell")
    ).to_numpy()
    if not np.isfinite(heights).all():
        raise ModelError(
            f"the elevation grid does not cover {int((~np.isfinite(heights)).sum())} of {len(heights)} cells of the map."
        )
    return np.asarray(heights, float)
