"""The day-late maximum of morning observers: found by comparing with neighbours, moved only on request."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.errors import ModelError
from phenofit.weather.quality.neighbours import course, distances_km
from phenofit.weather.schema import FLAGS, add_notes, with_temperatures

CLEARLY = 0.1  # by at least this much the correlation with the day before must be higher
MIN_DAYS = 120  # common days in a year


def observation_lags(weather: xr.Dataset, *, max_distance_km: float = 150.0) -> pd.DataFrame:
    """Compare each station's maxima with its neighbours' of the same day and of the day before.

    Parameters
    ----------
    weather : xarray.Dataset
        Daily station weather; three stations or more.
    max_distance_km : float
        Farthest neighbour [km].

    Returns
    -------
    pandas.DataFrame
        ``station, year, days, same_day, day_before`` (correlations of anomalies) and ``late`` (bool): the maxima
        of that year fit the neighbours' day before clearly better, as those of an observer who reads in the
        morning do. Nothing is moved; see :func:`shift_lagged`.
    """
    days = weather["time"].values.astype("datetime64[D]")
    high = weather["tmax"].values
    anomaly = high - course(high, days)
    apart = distances_km(weather)
    year = days.astype("datetime64[Y]").astype(np.int64) + 1970
    rows = []
    for i, station in enumerate(weather["station"].values.astype(str)):
        near = ~(apart[i] > max_distance_km)
        near[i] = False
        if near.sum() < 2:
            continue
        others = anomaly[near]
        enough = (~np.isnan(others)).sum(axis=0) >= 2
        middle = np.full(len(days), np.nan)
        middle[enough] = np.nanmedian(others[:, enough], axis=0)
        before = np.concatenate([[np.nan], middle[:-1]])
        for y in np.unique(year):
            use = (year == y) & ~np.isnan(anomaly[i]) & ~np.isnan(middle) & ~np.isnan(before)
            if use.sum() < MIN_DAYS:
                continue
            same = float(np.corrcoef(anomaly[i][use], middle[use])[0, 1])
            late = float(np.corrcoef(anomaly[i][use], before[use])[0, 1])
            rows.append((station, int(y), int(use.sum()), same, late, bool(late > same + CLEARLY)))
    return pd.DataFrame(rows, columns=["station", "year", "days", "same_day", "day_before", "late"])


def lag_notes(weather: xr.Dataset, *, max_distance_km: float = 150.0) -> list[str]:
    """Return a sentence for each station whose maxima look a day late in some years; nothing is moved."""
    table = observation_lags(weather, max_distance_km=max_distance_km)
    late = table[table["late"].astype(bool)]
    return [
        f"Station '{station}': the maxima of {', '.join(str(y) for y in years)} fit the neighbours' day before better "
        "than the same day, as those of a morning observer do. Nothing was moved; phenofit.weather.shift_lagged "
        "moves them."
        for station, years in late.groupby("station", sort=False)["year"].apply(list).items()
    ]


def shift_lagged(weather: xr.Dataset, station: str, years: Sequence[int]) -> xr.Dataset:
    """Move the maxima of one station and some years one day back, as the user decided.

    Parameters
    ----------
    weather : xarray.Dataset
        Daily station weather: ``tmin`` and ``tmax`` [degC] on (station, time).
    station : str
        Station id.
    years : sequence of int
        Calendar years whose maxima were read on the next morning.

    Returns
    -------
    xarray.Dataset
        The maximum of each of these days is that read on the day after; the days carry the flag
        ``lagged_observation``, and the notes name the move.

    Raises
    ------
    ModelError
        If there is no such station.
    """
    ids = weather["station"].values.astype(str).tolist()
    if station not in ids:
        raise ModelError(f"there is no station '{station}'; the weather has {', '.join(ids[:10])}.")
    i = ids.index(station)
    days = weather["time"].values.astype("datetime64[D]")
    inside = np.isin(days.astype("datetime64[Y]").astype(np.int64) + 1970, list(years))
    high = weather["tmax"].values.copy()
    next_day = np.concatenate([high[i][1:], [np.nan]])
    high[i] = np.where(inside, next_day, high[i])
    # The value of the first day after was read there and belongs to the last day inside; it is not used twice.
    first_after = np.flatnonzero(~inside[1:] & inside[:-1]) + 1
    high[i][first_after] = np.nan
    low = weather["tmin"].values
    crossed = high[i] < low[i]
    high[i][crossed] = np.nan
    flag = weather["flag"].values.copy()
    flag[i][inside] |= FLAGS["lagged_observation"]
    extra = f" {int(crossed.sum())} of them fell below the minimum and are missing." if crossed.any() else ""
    line = (
        f"Station '{station}': the maxima of {', '.join(map(str, years))} were moved one day back on request "
        f"({int(inside.sum())} days).{extra}"
    )
    return add_notes(with_temperatures(weather, low, high, flag=flag), [line])
