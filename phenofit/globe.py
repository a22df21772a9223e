"""Distances between places on the Earth."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

EARTH_RADIUS_KM = 6371.0088
"""Mean radius (2a + b) / 3 of the WGS 84 ellipsoid [km], the mean radius R1 of Moritz (2000)."""


def distance_km(
    latitude: npt.ArrayLike, longitude: npt.ArrayLike, to_latitude: npt.ArrayLike, to_longitude: npt.ArrayLike
) -> npt.NDArray[np.float64]:
    """Return great-circle distances [km] between places in degrees.

    Sinnott, R. W. (1984). Virtues of the haversine. Sky and Telescope 68, 159. Moritz, H. (2000). Geodetic
    Reference System 1980. Journal of Geodesy 74, 128-133. doi:10.1007/s001900050278
    """
    lat1, lon1, lat2, lon2 = (
        np.radians(np.asarray(x, dtype=np.float64)) for x in (latitude, longitude, to_latitude, to_longitude)
    )
    half = np.sin((lat2 - lat1) / 2) ** 2 + np.cos(lat1) * np.cos(lat2) * np.sin((lon2 - lon1) / 2) ** 2
    # Rounding may carry the half chord past 1 at antipodes.
    return np.asarray(2 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.clip(half, 0.0, 1.0))))
