"""Daily temperatures on the cells of a map, from stations or from a coarser grid."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr
from scipy.spatial import cKDTree

from phenofit.errors import ModelError
from phenofit.maps.projection import Plane

STANDARD_LAPSE = 6.5  # K per km, the mean lapse rate of the standard atmosphere (ICAO Doc 7488, as ISO 2533)
_NEAREST = 6


class Sources:
    """Where temperatures are known."""

    def __init__(
        self,
        longitude: np.ndarray,
        latitude: np.ndarray,
        elevation: np.ndarray,
        time: np.ndarray,
        tmin: np.ndarray,
        tmax: np.ndarray,
        *,
        gridded: bool,
    ) -> None:
        self.longitude, self.latitude, self.elevation = longitude, latitude, elevation
        self.time, self.tmin, self.tmax, self.gridded = time, tmin, tmax, gridded


def source_places(weather: xr.Dataset) -> Sources:
    """Take stations or grid cells out of a weather dataset."""
    for name in ("tmin", "tmax"):
        if name not in weather:
            raise ModelError(f"the weather has no variable '{name}'.")
        unit = weather[name].attrs.get("units")
        if unit != "degC":
            raise ModelError(
                f"'{name}' has the unit '{unit}'; a map needs degC: read the file with read_weather."
            )
    dims = set(weather["tmin"].dims)
    if dims == {"station", "time"}:
        lon, lat = (weather[c].to_numpy().astype(float) for c in ("longitude", "latitude"))
        height = (
            weather["elevation"].to_numpy().astype(float)
            if "elevation" in weather.coords
            else np.full(len(lon), np.nan)
        )
        fields = [weather[n].transpose("station", "time").to_numpy().astype(float) for n in ("tmin", "tmax")]
        return Sources(lon, lat, height, weather["time"].to_numpy(), *fields, gridded=False)
    if dims == {"time", "latitude", "longitude"}:
        flat = weather[["tmin", "tmax"]].stack(place=("latitude", "longitude"))
        lon, lat = (flat[c].to_numpy().astype(float) for c in ("longitude", "latitude"))
        fields = [flat[n].transpose("place", "time").to_numpy().astype(float) for n in ("tmin", "tmax")]
        return Sources(lon, lat, np.full(len(lon), np.nan), weather["time"].to_numpy(), *fields, gridded=True)
    raise ModelError(
        f"the weather has the dimensions {', '.join(sorted(map(str, dims)))}; "
        "a map needs (station, time) or (time, latitude, longitude)."
    )


def weather_on_cells(
    sources: Sources,
    plane: Plane,
    cells: np.ndarray,
    *,
    heights: np.ndarray | None = None,
    lapse: float = STANDARD_LAPSE,
) -> tuple[np.ndarray, np.ndarray]:
    """Interpolate daily temperatures to cells."""
    places = np.column_stack(plane.to_plane(sources.longitude, sources.latitude))
    shift = np.zeros(len(places))
    if heights is not None:
        known = np.isfinite(sources.elevation)
        if not known.any():
            raise ModelError(
                "no station has an elevation, so temperatures cannot be moved to the heights of cells."
            )
        shift = np.where(known, sources.elevation, np.nan) * lapse / 1000.0
    count = 1 if sources.gridded else min(_NEAREST, len(places))
    found = cKDTree(places).query(cells, k=count)
    distance, near = (np.asarray(part).reshape(len(cells), count) for part in found)
    weight = 1.0 / np.maximum(distance, 100.0) ** 2
    result = []
    for field in (sources.tmin, sources.tmax):
        # Stations in valleys and on hills are averaged at sea level, and the mean is moved to the cell.
        at_sea_level = field + shift[:, None]
        usable = np.isfinite(at_sea_level)
        total, used = np.zeros((len(cells), field.shape[1])), np.zeros((len(cells), field.shape[1]))
        for k in range(count):
            total += weight[:, k, None] * np.where(usable, at_sea_level, 0.0)[near[:, k]]
            used += weight[:, k, None] * usable[near[:, k]]
        value = np.divide(total, used, out=np.full_like(total, np.nan), where=used > 0)
        result.append(value if heights is None else value - (heights * lapse / 1000.0)[:, None])
    return result[0], result[1]


def day_numbers(time: np.ndarray) -> pd.DatetimeIndex:
    """Return the days of a calendar, refusing gaps."""
    days = pd.DatetimeIndex(np.asarray(time).astype("datetime64[D]"))
    if len(days) > 1 and not (np.diff(days.to_numpy()) == np.timedelta64(1, "D")).all():
        raise ModelError(
            "the calendar of the weather has gaps; read it with read_weather, which completes it."
        )
    return days
