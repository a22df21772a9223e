"""Coasts and borders for the maps: bundled ones, or a GeoJSON of the user's own. Nothing is ever downloaded."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from phenofit.errors import DataError, Problem
from phenofit.files import read_json
from phenofit.files.text_table import shorten

_KINDS = frozenset(
    {
        "Feature", "FeatureCollection", "GeometryCollection",
        "Point", "MultiPoint", "LineString", "MultiLineString", "Polygon", "MultiPolygon",
    }
)  # fmt: skip
_DEEPEST = 20
"""How deep collections may lie in each other."""

SOURCE = "outlines: Natural Earth and U.S. Census Bureau (public domain)"
_FILES = ("world.npz", "us.npz")


@lru_cache(maxsize=1)
def _all_lines() -> tuple[list[np.ndarray], np.ndarray, np.ndarray, np.ndarray]:
    lines, ranks, lows, highs = [], [], [], []
    folder = resources.files("phenofit.maps") / "outlines"
    for name in _FILES:
        with resources.as_file(folder / name) as path:
            for rank, line in unpack_lines(path):
                lines.append(line)
                ranks.append(rank)
                lows.append(line.min(axis=0))
                highs.append(line.max(axis=0))
    return lines, np.array(ranks), np.array(lows), np.array(highs)


def bundled_lines(
    west: float, south: float, east: float, north: float, *, finest: int = 2
) -> list[tuple[int, np.ndarray]]:
    """Return the bundled lines that come near a box."""
    lines, ranks, low, high = _all_lines()
    hit = (ranks <= finest) & (low[:, 1] <= north) & (high[:, 1] >= south)
    if east < west:
        hit &= (high[:, 0] >= west) | (low[:, 0] <= east)
    else:
        hit &= (high[:, 0] >= west) & (low[:, 0] <= east)
    return [(int(ranks[k]), lines[k]) for k in np.flatnonzero(hit)]


def read_lines(source: str | Path | Mapping[str, object]) -> list[np.ndarray]:
    """Read every line and ring of a GeoJSON."""
    name, content = _content(source)
    return [_positions(part, name) for kind, part in _geometries(content, name) if kind in {"line", "ring"}]


def read_rings(source: str | Path | Mapping[str, object]) -> list[np.ndarray]:
    """Read the rings of the areas of a GeoJSON (holes are rings as well)."""
    name, content = _content(source)
    rings = [_positions(part, name) for kind, part in _geometries(content, name) if kind == "ring"]
    if not rings:
        raise DataError(Problem("there is no area in it.", "Give a Polygon or MultiPolygon.", name))
    return rings


def _content(source: str | Path | Mapping[str, object]) -> tuple[str, Mapping[str, object]]:
    if isinstance(source, Mapping):
        return "region", source
    content = read_json(source, remedy="Give a GeoJSON file.")
    if not isinstance(content, dict):
        raise DataError(Problem("this is not a GeoJSON object.", "Give a GeoJSON file.", str(source)))
    return str(source), content


def _geometries(content: Any, name: str, depth: int = 0) -> Iterator[tuple[str, Any]]:
    kind = content.get("type") if isinstance(content, Mapping) else content
    if depth > _DEEPEST:
        raise DataError(Problem("the GeoJSON is nested too deeply.", "Give a GeoJSON file.", name))
    if not isinstance(content, Mapping) or not isinstance(kind, str) or kind not in _KINDS:
        found = f"'{shorten(str(kind))}' is no GeoJSON type."
        raise DataError(Problem(found, "Areas and lines in longitude and latitude are read.", name))
    if kind == "Feature":
        if content.get("geometry") is not None:
            yield from _geometries(content["geometry"], name, depth + 1)
    elif kind in ("FeatureCollection", "GeometryCollection"):
        inside = content.get("features" if kind == "FeatureCollection" else "geometries", [])
        for part in _members(inside, name):
            yield from _geometries(part, name, depth + 1)
    elif kind == "LineString":
        yield "line", content.get("coordinates")
    elif kind == "MultiLineString":
        yield from (("line", part) for part in _members(content.get("coordinates"), name))
    elif kind == "Polygon":
        yield from (("ring", part) for part in _members(content.get("coordinates"), name))
    elif kind == "MultiPolygon":
        for polygon in _members(content.get("coordinates"), name):
            yield from (("ring", part) for part in _members(polygon, name))


def _members(value: Any, name: str) -> list[Any]:
    if not isinstance(value, list | tuple):
        found = f"'{shorten(str(value))}' stands where a list is needed."
        raise DataError(Problem(found, "Give a GeoJSON file.", name))
    return list(value)


def _positions(part: Any, name: str) -> np.ndarray:
    try:
        places = np.array([[float(p[0]), float(p[1])] for p in part]).reshape(-1, 2)
    except (TypeError, ValueError, IndexError, KeyError, OverflowError):
        found = "a line has positions that are not pairs of numbers."
        raise DataError(Problem(found, "Write [longitude, latitude].", name)) from None
    if len(places) < 2 or not np.isfinite(places).all():
        raise DataError(Problem("a line has fewer than two positions.", "Write at least two.", name))
    if np.abs(places[:, 1]).max() > 90 or np.abs(places[:, 0]).max() > 360:
        found = f"position {places[np.argmax(np.abs(places).max(axis=1))].tolist()} is not in degrees."
        raise DataError(Problem(found, "GeoJSON holds longitude and latitude in degrees (WGS 84).", name))
    return places


def unpack_lines(path: str | Path) -> Iterator[tuple[int, np.ndarray]]:
    """Yield the rank (0 coasts, 1 borders, 2 counties) and the points (longitude, latitude [degrees], shape (k, 2)) of each packed line."""
    with np.load(path) as packed:
        start, steps, length = packed["start"], packed["steps"].astype(np.int64), packed["length"]
        level, scale, origin = packed["level"], packed["scale"], packed["origin"]
    begin = np.concatenate([[0], np.cumsum(length - 1)])
    for k, first in enumerate(start):
        line = np.vstack([first, first + np.cumsum(steps[begin[k] : begin[k + 1]], axis=0)])
        yield int(level[k]), line * scale + origin
