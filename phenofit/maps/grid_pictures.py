"""Pictures of a date map on the cells of a weather grid."""

from __future__ import annotations

import numpy as np
import xarray as xr
from scipy.spatial import cKDTree

from phenofit.maps.dataset import grid_coordinates
from phenofit.maps.projection import MapArea

_ALONG = 150  # Cells of a picture along one side of the grid: as many as can be seen.
_WORDS = {"latitude": ("latitude", "lat"), "longitude": ("longitude", "lon")}


def picture_of_grid(store: xr.Dataset) -> xr.Dataset | None:
    """Return the map on projected cells as a picture needs it, some 150 cells across; None where its cells have no position."""
    dims = store["event_day"].dims
    sample = store.isel({d: slice(None, None, max(1, store.sizes[d] // _ALONG)) for d in dims})
    places = [_coordinate(sample, name) for name in ("longitude", "latitude")]
    if any(place is None for place in places):
        return None

    def listed(values: xr.DataArray) -> np.ndarray:
        return (
            values.broadcast_like(sample["event_day"]).transpose(*dims).to_numpy().astype(np.float64).ravel()
        )

    plane, points, grid = MapArea(margin_km=0.0).grid(
        *(listed(place) for place in places if place is not None)
    )
    distance, near = cKDTree(points).query(grid.points())
    # A cell of the picture outside of the grid stays empty. The fourth neighbour lies a row or a column away.
    spacing = np.asarray(cKDTree(points).query(points, k=5)[0])[:, 4]
    inside = distance <= 0.75 * np.median(spacing)
    dataset = grid_coordinates(plane, grid)
    for name, field in sample.data_vars.items():
        shown = grid.full(np.where(inside, listed(field)[near], np.nan)).astype(np.float32)
        dataset[name] = (("y", "x"), shown, {**field.attrs, "grid_mapping": "crs"})
    dataset.attrs = {**store.attrs, "cell_m": grid.cell}
    return dataset


def _coordinate(dataset: xr.Dataset, name: str) -> xr.DataArray | None:
    """Return a coordinate by its CF standard name, or by its usual names."""
    found = [c for c in dataset.coords.values() if c.attrs.get("standard_name") == name]
    found += [dataset.coords[word] for word in _WORDS[name] if word in dataset.coords]
    return found[0] if found else None
