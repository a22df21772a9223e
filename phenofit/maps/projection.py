"""A plane in metres for the sites, and the grid of cells on it.

Distances are taken on an azimuthal equal-area plane centred on the sites: it works on both hemispheres, across
180 degrees and near the poles, and GDAL and the CF conventions both know it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from phenofit.errors import MissingExtraError, ModelError
from phenofit.maps.borders import read_rings

if TYPE_CHECKING:
    from pyproj import CRS, Transformer

_MAX_CELLS = 4_000_000


@dataclass(frozen=True)
class Plane:
    """A projected coordinate system [m] with its way there and back."""

    crs: CRS  # The projected system.
    forward: Transformer  # From longitude, latitude [degrees, WGS 84] to x, y [m].

    def to_plane(self, longitude: np.ndarray, latitude: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return x and y [m] of longitudes and latitudes [degrees]."""
        x, y = self.forward.transform(np.asarray(longitude, float), np.asarray(latitude, float))
        return np.asarray(x), np.asarray(y)

    def to_earth(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return longitudes and latitudes [degrees] of x and y [m]."""
        longitude, latitude = self.forward.transform(
            np.asarray(x, float), np.asarray(y, float), direction="INVERSE"
        )
        return np.asarray(longitude), np.asarray(latitude)


def plane_for(longitude: np.ndarray, latitude: np.ndarray, *, crs: Any = None) -> Plane:
    """Return the plane for a set of places."""
    pyproj = need_pyproj()
    if crs is None:
        phi, lam = np.radians(np.asarray(latitude, float)), np.radians(np.asarray(longitude, float))
        middle = np.array([np.cos(phi) * np.cos(lam), np.cos(phi) * np.sin(lam), np.sin(phi)]).mean(axis=1)
        lat_0 = round(float(np.degrees(np.arctan2(middle[2], np.hypot(middle[0], middle[1])))), 1)
        lon_0 = round(float(np.degrees(np.arctan2(middle[1], middle[0]))), 1)
        system = pyproj.CRS.from_dict(
            {"proj": "laea", "lat_0": lat_0, "lon_0": lon_0, "datum": "WGS84", "units": "m"}
        )
    else:
        try:
            system = pyproj.CRS.from_user_input(crs)
        except pyproj.exceptions.CRSError as error:
            raise ModelError(f"'{crs}' is not a coordinate system that pyproj knows ({error}).") from None
        if not system.is_projected or system.axis_info[0].unit_name not in {"metre", "meter"}:
            raise ModelError(
                f"'{crs}' is not a projected coordinate system in metres, so no distance fits it."
            )
    return Plane(system, pyproj.Transformer.from_crs("EPSG:4326", system, always_xy=True))


def need_pyproj() -> Any:
    """Return pyproj, or say which extra brings it."""
    try:
        import pyproj
    except ImportError:
        raise MissingExtraError("pyproj", "maps", "a map on projected coordinates") from None
    return pyproj


@dataclass(frozen=True)
class Grid:
    """Square cells on a plane."""

    x: np.ndarray  # Shape (nx,): Cell centres [m], west to east.
    y: np.ndarray  # Shape (ny,): Cell centres [m], north to south, as image files have them.
    cell: float  # Side of a cell [m].
    inside: np.ndarray  # Shape (ny, nx): Cells that belong to the map.

    def points(self) -> np.ndarray:
        """Return the centres of the cells inside, shape (n, 2) [m]."""
        xx, yy = np.meshgrid(self.x, self.y)
        return np.column_stack([xx[self.inside], yy[self.inside]])

    def full(self, values: np.ndarray) -> np.ndarray:
        """Return values of the cells inside on the whole grid, NaN elsewhere."""
        field = np.full(self.inside.shape, np.nan)
        field[self.inside] = values
        return field


def choose_cell(points: np.ndarray) -> float:
    """Return a round cell side [m] that gives about a hundred cells across the sites."""
    extent = float(np.ptp(points, axis=0).max()) if len(points) > 1 else 0.0
    raw = max(extent, 1000.0) / 100.0
    power = 10.0 ** np.floor(np.log10(raw))
    return float(next(step for step in (1.0, 2.0, 5.0, 10.0) if step * power >= raw * 0.999) * power)


@dataclass(frozen=True)
class MapArea:
    """The grid of a map.

    Parameters
    ----------
    cell_km : float, optional
        Side of a cell [km]; by default about a hundred cells across the sites of an error map, forty of a date map.
    margin_km : float, optional
        How far the map goes beyond the hull of the sites [km]; by default an eighth of their extent, and at least
        two cells.
    region : path or mapping, optional
        GeoJSON of an area that bounds the map instead of the hull.
    crs : optional
        A projected system in metres; by default an equal-area plane centred on the sites.
    """

    cell_km: float | None = None
    margin_km: float | None = None
    region: Any = None
    crs: Any = None

    def grid(
        self, longitude: np.ndarray, latitude: np.ndarray, *, coarser: float = 1.0
    ) -> tuple[Plane, np.ndarray, Grid]:
        """Return the plane, the places on it [m], shape (places, 2), and the grid of cells."""
        plane = plane_for(longitude, latitude, crs=self.crs)
        points = np.column_stack(plane.to_plane(longitude, latitude))
        rings = None
        if self.region is not None:
            rings = [np.column_stack(plane.to_plane(*ring.T)) for ring in read_rings(self.region)]
        grid = make_grid(
            points,
            cell=coarser * choose_cell(points) if self.cell_km is None else self.cell_km * 1000.0,
            margin=None if self.margin_km is None else self.margin_km * 1000.0,
            region=rings,
        )
        return plane, points, grid


def make_grid(
    points: np.ndarray, *, cell: float, margin: float | None = None, region: list[np.ndarray] | None = None
) -> Grid:
    """Return a grid over the sites, with the cells within the margin of their hull marked."""
    if not np.isfinite(cell) or cell <= 0:
        raise ModelError(f"a cell of {cell / 1000:g} km is no cell; its side must be above zero.")
    outer = np.vstack(region) if region else points
    if margin is None:
        margin = 0.0 if region else max(float(np.ptp(points, axis=0).max()) / 8.0, 2.0 * cell)
    low, high = outer.min(axis=0) - margin, outer.max(axis=0) + margin
    first, last = np.floor(low / cell), np.ceil(high / cell)
    shape = (last - first).astype(int)
    if int(shape[0]) * int(shape[1]) > _MAX_CELLS:
        raise ModelError(
            f"cells of {cell / 1000:g} km make {int(shape[0])} x {int(shape[1])} cells; choose larger cells."
        )
    x = (first[0] + 0.5 + np.arange(shape[0])) * cell
    y = (last[1] - 0.5 - np.arange(shape[1])) * cell
    xx, yy = np.meshgrid(x, y)
    centres = np.column_stack([xx.ravel(), yy.ravel()])
    inside = in_rings(centres, region) if region else _near_hull(centres, points, margin)
    return Grid(x, y, cell, inside.reshape(xx.shape))


def in_rings(centres: np.ndarray, rings: list[np.ndarray]) -> np.ndarray:
    """Return which points lie in an area by the even-odd rule (holes are rings inside rings)."""
    inside = np.zeros(len(centres), dtype=bool)
    px, py = centres[:, 0], centres[:, 1]
    for ring in rings:
        for (ax, ay), (bx, by) in zip(ring, np.roll(ring, -1, axis=0), strict=True):
            if ay == by:
                continue
            crosses = (ay > py) != (by > py)
            inside ^= crosses & (px < ax + (py - ay) * (bx - ax) / (by - ay))
    return inside


def _near_hull(centres: np.ndarray, points: np.ndarray, margin: float) -> np.ndarray:
    hull = hull_ring(points)
    near = np.zeros(len(centres), dtype=bool)
    for start, end in zip(hull, np.roll(hull, -1, axis=0), strict=True):
        along = end - start
        length = float(along @ along)
        share = (
            np.clip((centres - start) @ along / length, 0.0, 1.0) if length > 0 else np.zeros(len(centres))
        )
        gap = centres - start - share[:, None] * along
        near |= np.einsum("ij,ij->i", gap, gap) <= margin**2
    return np.asarray(near | in_rings(centres, [hull]))


def hull_ring(points: np.ndarray) -> np.ndarray:
    """Return the corners of the hull of points [m]; of points on a line, its two ends."""
    from scipy.spatial import ConvexHull, QhullError

    unique = np.unique(points, axis=0)
    if len(unique) < 3:
        return unique
    try:
        return np.asarray(unique[ConvexHull(unique).vertices])
    except QhullError:
        order = np.lexsort((unique[:, 1], unique[:, 0]))
        return np.asarray(unique[order[[0, -1]]])


def merge_close(points: np.ndarray, *, tolerance: float) -> np.ndarray:
    """Return a group number for each point; points within a tolerance of each other share it."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    pairs = cKDTree(points).query_pairs(tolerance, output_type="ndarray")
    ones = np.ones(len(pairs))
    graph = coo_matrix((ones, (pairs[:, 0], pairs[:, 1])), shape=(len(points), len(points)))
    _, label = connected_components(graph, directed=False)
    return np.asarray(pd.factorize(label)[0])
