"""Plausibility of trap positions: ranges, a lost sign, swapped columns, one name at two places."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from phenofit.errors import Problem
from phenofit.files.cells import parse_numbers
from phenofit.files.text_table import Table

_GROUP_DEGREES = 5.0
"""How near [degrees] to the other traps a corrected coordinate must come before it is suggested."""


@dataclass(frozen=True)
class _Place:
    row: int
    trap: str
    latitude: float
    longitude: float


def read_positions(
    table: Table, latitude: str, longitude: str, elevation: str
) -> tuple[np.ndarray, np.ndarray, np.ndarray, list[Problem]]:
    """Return latitude, longitude and elevation (NaN without its column) of a table, with its problems."""
    north, problems = parse_numbers(table, latitude, required=True, what="decimal degrees")
    east, more = parse_numbers(table, longitude, required=True, what="decimal degrees")
    height = np.full(len(table.frame), np.nan)
    if elevation in table.frame:
        height, faults = parse_numbers(
            table, elevation, low=-430.0, high=8849.0, what="metres above sea level"
        )
        more += faults
    return north, east, height, problems + more


def position_problems(
    traps: list[str],
    latitude: np.ndarray,
    longitude: np.ndarray,
    *,
    rows: list[int],
    file: str,
    latitude_column: str = "latitude",
    longitude_column: str = "longitude",
) -> list[Problem]:
    """Return a problem for each pair of coordinates that cannot be right."""
    in_range = (np.abs(latitude) <= 90) & (np.abs(longitude) <= 180)
    centre = _centre(latitude[in_range], longitude[in_range]) if in_range.any() else None
    problems: list[Problem] = []
    for row, trap, lat, lon in zip(rows, traps, latitude, longitude, strict=True):
        if not (math.isfinite(lat) and math.isfinite(lon)):
            continue
        place = _Place(row, trap, float(lat), float(lon))
        problems += _one_place(place, centre, file, latitude_column, longitude_column)
    return problems


def _centre(latitude: np.ndarray, longitude: np.ndarray) -> tuple[float, float]:
    """Return the middle of the largest group of traps; traps with a lost sign must not move it between two continents."""
    cells = np.floor(np.stack([latitude, longitude], axis=1) / _GROUP_DEGREES)
    kinds, first, which, counts = np.unique(
        cells, axis=0, return_index=True, return_inverse=True, return_counts=True
    )
    best = min(range(len(kinds)), key=lambda k: (-counts[k], first[k]))
    inside = which.ravel() == best
    return float(np.median(latitude[inside])), float(np.median(longitude[inside]))


def _one_place(
    place: _Place, centre: tuple[float, float] | None, file: str, lat_column: str, lon_column: str
) -> list[Problem]:
    lat, lon = place.latitude, place.longitude
    if lat == 0.0 and lon == 0.0:
        remedy = "Give its latitude and longitude in decimal degrees."
        return [Problem(f"trap '{place.trap}' lies at 0, 0.", remedy, file, place.row, lat_column)]
    found: list[Problem] = []
    if abs(lat) > 90:
        swap = " Latitude and longitude look swapped." if abs(lon) <= 90 and abs(lat) <= 180 else ""
        finding = f"latitude {lat:g} of trap '{place.trap}' is out of range.{swap}"
        remedy = "Latitudes are decimal degrees from -90 to 90."
        found.append(Problem(finding, remedy, file, place.row, lat_column))
    if abs(lon) > 180:
        hint = f" Did you mean {lon - 360:g}?" if 180 < lon <= 360 else ""
        finding = f"longitude {lon:g} of trap '{place.trap}' is out of range.{hint}"
        remedy = "Longitudes are decimal degrees from -180 to 180, west negative."
        found.append(Problem(finding, remedy, file, place.row, lon_column))
    if found or centre is None or _near(lat, lon, centre):
        return found
    return _corrections(place, centre, file, lat_column, lon_column)


def _near(lat: float, lon: float, centre: tuple[float, float]) -> bool:
    return abs(lat - centre[0]) <= _GROUP_DEGREES and abs(lon - centre[1]) <= _GROUP_DEGREES


def _corrections(
    place: _Place, centre: tuple[float, float], file: str, lat_column: str, lon_column: str
) -> list[Problem]:
    """Suggest a change of sign or a swap where that puts the trap near the others."""
    lat, lon = place.latitude, place.longitude
    others = f"while the other traps lie near {centre[0]:.2f}, {centre[1]:.2f}."
    if _near(lat, -lon, centre):
        finding = f"longitude {lon:g} of trap '{place.trap}' lies far from the others: did you mean {-lon:g}?"
        return [Problem(finding, f"West is negative; {others}", file, place.row, lon_column)]
    if _near(-lat, lon, centre):
        finding = f"latitude {lat:g} of trap '{place.trap}' lies far from the others: did you mean {-lat:g}?"
        return [Problem(finding, f"South is negative; {others}", file, place.row, lat_column)]
    if _near(lon, lat, centre):
        finding = f"latitude {lat:g} and longitude {lon:g} of trap '{place.trap}' look swapped"
        return [Problem(finding, others, file, place.row, lat_column)]
    return []
