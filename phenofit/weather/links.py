"""Which station's weather a trap gets: the nearest that has data, or the one that the trap table names."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.errors import DataError, ModelError, Problem
from phenofit.files.tables import nearest
from phenofit.globe import distance_km
from phenofit.weather.schema import FLAGS, has_flag, station_table, without_rows

LINK_COLUMNS = ("trap", "station", "distance_km", "height_difference_m", "how", "station_name", "passed_over")
TOO_FAR = ("refuse", "leave out")
_SHOWN = 3  # stations that one message describes


def link_stations(
    traps: pd.DataFrame,
    weather: xr.Dataset,
    *,
    max_distance_km: float = 40.0,
    too_far: str = "refuse",
    min_share: float = 0.5,
) -> pd.DataFrame:
    """Link each trap to one weather station.

    Parameters
    ----------
    traps : pandas.DataFrame
        ``trap, latitude, longitude`` [degrees], and optionally ``elevation_m`` [m] and ``station`` (given).
    weather : xarray.Dataset
        Station weather in the form of :mod:`phenofit.weather.schema`; stations without any complete day are
        ignored.
    max_distance_km : float
        Largest distance of a station from its trap [km]; a given station may be farther.
    too_far : {"refuse", "leave out"}
        What is done with a trap without a station in reach, or whose given station is not in the weather: an
        error, or a row with no station (``how`` = "none").
    min_share : float
        Share of the calendar for which a station must have complete days to be taken as the nearest; where none in
        reach has so much, the nearest with any data is taken. A given station is not asked for its share.

    Returns
    -------
    pandas.DataFrame
        One row per trap: ``trap, station, distance_km, height_difference_m`` (trap minus station, NaN where
        a height is unknown), ``how`` ("nearest", "given" or "none"), ``station_name``, and ``passed_over``: nearer stations with too
        few days, with their share.

    Raises
    ------
    DataError
        If a given station is not in the weather, or no station is in reach; names every such trap.
    ModelError
        If `too_far` or the distance is not acceptable.

    Examples
    --------
    >>> from phenofit.weather.schema import new_dataset
    >>> where = pd.DataFrame({"station": ["A", "B"], "latitude": [45.0, 45.5], "longitude": [9.0, 9.0]})
    >>> days = np.array(["2024-05-01"], dtype="datetime64[D]")
    >>> weather = new_dataset(where, days, [[8.0], [9.0]], [[20.0], [21.0]])
    >>> traps = pd.DataFrame({"trap": ["T1"], "latitude": [45.4], "longitude": [9.0]})
    >>> link_stations(traps, weather)[["trap", "station", "how"]].values.tolist()
    [['T1', 'B', 'nearest']]
    """
    if too_far not in TOO_FAR:
        raise ModelError(f"too_far = '{too_far}' is not known; accepted are {', '.join(TOO_FAR)}.")
    if not max_distance_km > 0:
        raise ModelError(f"max_distance_km = {max_distance_km} must be above 0.")
    stations = station_table(weather)
    if not 0 <= min_share <= 1:
        raise ModelError(f"min_share = {min_share} must be from 0 to 1.")
    share = (weather["tmin"].notnull() & weather["tmax"].notnull()).mean("time").values
    distances = trap_distances_km(traps, weather)
    usable = np.where(share > 0, distances, np.nan)
    known = _Known(stations, _without_data(weather, stations, share), without_rows(weather))
    rows, problems = [], []
    for i, trap in enumerate(traps.itertuples(index=False)):
        enough = (share >= min_share) & (usable[i] <= max_distance_km)
        preferred = np.where(enough, usable[i], np.nan) if enough.any() else usable[i]
        at, how, problem = _choose(trap, preferred, known, max_distance_km)
        if problem is not None and too_far == "refuse":
            problems.append(problem)
        elif at is None:
            rows.append((str(trap.trap), None, np.nan, np.nan, "none", "", ""))
        else:
            height = float(getattr(trap, "elevation_m", np.nan)) - float(stations["elevation_m"].iloc[at])
            name = stations["name"].iloc[at]
            over = _passed_over(distances[i], at, share, stations) if how == "nearest" else ""
            station, apart = stations["station"].iloc[at], float(distances[i, at])
            rows.append((str(trap.trap), station, apart, height, how, name, over))
    if problems:
        raise DataError(problems)
    return pd.DataFrame(rows, columns=list(LINK_COLUMNS))


def trap_distances_km(traps: pd.DataFrame, weather: xr.Dataset) -> np.ndarray:
    """Return the distance of each trap (row) from each station (column) [km]."""
    latitude, longitude = (traps[c].to_numpy(dtype=float)[:, None] for c in ("latitude", "longitude"))
    return distance_km(latitude, longitude, weather["latitude"].values, weather["longitude"].values)


def _passed_over(distances: np.ndarray, at: int, share: np.ndarray, stations: pd.DataFrame) -> str:
    nearer = [j for j in np.argsort(distances, kind="stable") if distances[j] < distances[at]]
    return ", ".join(f"{stations['station'].iloc[j]} ({100 * share[j]:.0f} % of the days)" for j in nearer)


@dataclass(frozen=True)
class _Known:
    """The stations of the weather, why none has data (empty if one has), and stations without a single row."""

    stations: pd.DataFrame
    no_data: str
    without_rows: tuple[str, ...]


def _without_data(weather: xr.Dataset, stations: pd.DataFrame, share: np.ndarray) -> str:
    """Return why no station has both a position and a complete day; empty if one has."""
    placed = stations["latitude"].notna().to_numpy() & stations["longitude"].notna().to_numpy()
    if (placed & (share > 0)).any():
        return ""
    days = weather.sizes["time"]
    counts = {name: has_flag(weather, name).sum("time").values for name in FLAGS}
    found = []
    for i, station in list(enumerate(stations["station"]))[:_SHOWN]:
        if share[i] > 0:
            found.append(f"{station} has {round(share[i] * days)} complete days, but no position")
            continue
        kinds = [f"{int(n[i])} with {name.replace('_', ' ')}" for name, n in counts.items() if n[i]]
        position = "" if placed[i] else "no position and "
        found.append(
            f"{station} has {position}none of {days} days complete ({', '.join(kinds) or 'all missing'})"
        )
    more = f", and {len(stations) - _SHOWN} more stations likewise" if len(stations) > _SHOWN else ""
    return f"{'; '.join(found)}{more}"


def _choose(
    trap: object, distances: np.ndarray, known: _Known, limit: float
) -> tuple[int | None, str, Problem | None]:
    """Return the position of the station, how it was chosen, and what is wrong."""
    stations = known.stations
    name = getattr(trap, "trap", "")
    given = getattr(trap, "station", None)
    if given is not None and not pd.isna(given) and str(given) != "":
        ids = stations["station"].tolist()
        if str(given) in ids:
            return ids.index(str(given)), "given", None
        if str(given) in known.without_rows:
            finding = f"trap '{name}': its station '{given}' is in the station table, but no weather file has a day of it."
            remedy = "Add its weather, or name another station."
        else:
            finding = f"trap '{name}': its station '{given}' is not in the weather."
            remedy = (
                f"Name one of the {len(ids)} stations of the weather, or leave the cell blank."
                f"{nearest(str(given), ids)}"
            )
        return None, "given", Problem(finding, remedy, column="station")
    if np.isnan(distances).all():
        finding = f"trap '{name}': no station has both a position and data: {known.no_data}."
        remedy = "Give complete days and a station table with latitude and longitude, or name the station of each trap."
        return None, "none", Problem(finding, remedy)
    at = int(np.nanargmin(distances))
    if distances[at] <= limit:
        return at, "nearest", None
    finding = (
        f"trap '{name}': the nearest station, '{stations['station'].iloc[at]}' ({stations['name'].iloc[at]}), is "
        f"{_above(distances[at], limit)} km away; the limit is {limit:g} km.{_flip_hint(trap, stations, limit)}"
    )
    remedy = "Set max_distance_km, name a station for the trap, or correct the positions."
    return None, "none", Problem(finding, remedy)


def _above(distance: float, limit: float) -> str:
    """Return a distance with as many digits as show that it is above the limit."""
    texts = (f"{distance:.{digits}f}" for digits in range(7))
    return next((text for text in texts if float(text) > limit), f"{distance:g}")


def _flip_hint(trap: object, stations: pd.DataFrame, limit: float) -> str:
    """Return a hint where a changed sign, or latitude and longitude exchanged, brings a station into reach."""
    latitude, longitude = float(trap.latitude), float(trap.longitude)  # type: ignore[attr-defined]
    readings = {
        f"longitude {-longitude:g}": (latitude, -longitude),
        f"latitude {-latitude:g}": (-latitude, longitude),
        "latitude and longitude exchanged": (longitude, latitude),
    }
    for words, (lat, lon) in readings.items():
        if abs(lat) > 90:
            continue
        reach = distance_km(lat, lon, stations["latitude"].to_numpy(), stations["longitude"].to_numpy())
        if np.nanmin(reach) <= limit:
            return f" Did you mean {words}?"
    return ""
