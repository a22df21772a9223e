"""How much warmer a station is than its neighbours: a site, a height or a unit that is wrong shows as an offset."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.weather.quality.neighbours import MAX_NEIGHBOURS, distances_km
from phenofit.weather.trap_weather import STANDARD_LAPSE

LEAST_DAYS = 30


def neighbour_offsets(weather: xr.Dataset, *, max_distance_km: float = 150.0) -> pd.DataFrame:
    r"""Return how much warmer each station is than its neighbours.

    Parameters
    ----------
    weather : xarray.Dataset
        Daily station weather: ``tmin`` and ``tmax`` [degC] on (station, time).
    max_distance_km : float
        Farthest station that counts as a neighbour [km].

    Returns
    -------
    pandas.DataFrame
        ``station``, ``offset`` [degC] (NaN without neighbours) and ``neighbours``: how many, at most the five nearest with 30
        common days.

    Notes
    -----
    The offset is the median over the neighbours n of the mean over the common days,

    .. math:: \overline{(T_s - T_n)} - \lambda (h_s - h_n), \qquad T = (T_{min} + T_{max}) / 2

    with the lapse rate :math:`\lambda` of -6.5 degC/km (the international standard atmosphere). Where a height is not
    known, that of the neighbour is taken as the same.
    """
    mean = 0.5 * (weather["tmin"] + weather["tmax"]).transpose("station", "time").to_numpy()
    names = weather["station"].to_numpy().astype(str)
    apart = distances_km(weather)
    height = weather["elevation"].to_numpy().astype(np.float64)
    rows = []
    for i, name in enumerate(names):
        found: list[float] = []
        for j in np.argsort(apart[i], kind="stable"):
            if j == i or not apart[i, j] <= max_distance_km or len(found) == MAX_NEIGHBOURS:
                continue
            difference = mean[i] - mean[j]
            known = np.isfinite(difference)
            if known.sum() < LEAST_DAYS:
                continue
            rise = height[i] - height[j]
            by_height = STANDARD_LAPSE * rise / 1000.0 if np.isfinite(rise) else 0.0
            found.append(float(difference[known].mean()) - by_height)
        rows.append((name, float(np.median(found)) if found else np.nan, len(found)))
    return pd.DataFrame(rows, columns=["station", "offset", "neighbours"])
