"""Which stations and years to ask for: the nearest few of each trap, or the one that the trap table names."""

from __future__ import annotations

from dataclasses import dataclass
from types import ModuleType

import numpy as np
import pandas as pd

import phenofit.weather.service.client as service
from phenofit.errors import FetchError, ModelError
from phenofit.files import write_text
from phenofit.globe import distance_km
from phenofit.progress import Progress
from phenofit.weather.service.cache import StationCache

LIST_LIFE_DAYS = 30
"""Age after which the list of stations is loaded again [d]."""


@dataclass(frozen=True)
class Plan:
    """Stations to ask for."""

    # ``station, name, latitude, longitude, elevation_m, traps`` (names of the traps that it is near to or is
    # given for), ``distance_km`` and ``height_difference_m`` of the nearest of them (trap minus station).
    stations: pd.DataFrame
    unknown: tuple[str, ...]  # Given stations that the service does not know.
    without_station: tuple[str, ...]  # Traps without a station in reach.


def refresh_station_list(
    cache: StationCache, *, refresh: bool, timeout: float, today: np.datetime64, say: Progress
) -> list[str]:
    """Load the list of stations if it is absent, old or to be refreshed; return remarks."""
    path = cache.station_list
    stamp = path.with_suffix(".date")
    there = path.exists() and path.stat().st_size > 0
    loaded = stamp.read_text(encoding="utf-8").strip() if there and stamp.exists() else "1970-01-01"
    try:
        age = (today - np.datetime64(loaded, "D")).astype(int)
    except ValueError:
        age = LIST_LIFE_DAYS + 1
    if there and not refresh and age <= LIST_LIFE_DAYS:
        return []
    say("loading the list of stations")
    try:
        service.update_station_list(path, timeout=timeout)
    except FetchError as fault:
        if not there:
            raise
        return [f"{fault} The copy of {loaded} was used."]
    write_text(stamp, f"{today}\n")
    return []


def plan_fetch(client: ModuleType, traps: pd.DataFrame, *, max_distance_km: float, candidates: int) -> Plan:
    """Choose the stations for all traps."""
    if not max_distance_km > 0 or candidates < 1:
        raise ModelError("max_distance_km must be above 0 and candidates at least 1.")
    chosen: dict[str, dict[str, object]] = {}
    unknown: list[str] = []
    without_station: list[str] = []
    for trap in traps.itertuples(index=False):
        name, latitude, longitude = str(trap.trap), float(trap.latitude), float(trap.longitude)  # type: ignore[arg-type]
        given = getattr(trap, "station", None)
        if given is not None and not pd.isna(given) and str(given):
            known = service.SAFE_ID.fullmatch(str(given)) is not None
            found = service.station_known(client, str(given)) if known else pd.DataFrame()
            if found.empty:
                unknown.append(str(given))
                continue
        else:
            found = service.nearby(client, latitude, longitude, radius_km=max_distance_km, limit=candidates)
            if found.empty:
                without_station.append(name)
                continue
        for row in found.to_dict("records"):
            distance = float(distance_km(latitude, longitude, row["latitude"], row["longitude"]))
            height = float(getattr(trap, "elevation_m", np.nan)) - float(row["elevation_m"])
            new = {**row, "traps": [], "distance_km": np.inf, "height_difference_m": np.nan}
            entry = chosen.setdefault(str(row["station"]), {str(k): v for k, v in new.items()})
            entry["traps"].append(name)  # type: ignore[attr-defined]
            if distance < entry["distance_km"]:  # type: ignore[operator]
                entry.update(distance_km=distance, height_difference_m=height)
    columns = [
        "station", "name", "latitude", "longitude", "elevation_m", "traps", "distance_km",
        "height_difference_m",
    ]  # fmt: skip
    table = pd.DataFrame(list(chosen.values()), columns=columns)
    table["traps"] = table["traps"].map(lambda names: ", ".join(names))
    return Plan(table, tuple(dict.fromkeys(unknown)), tuple(without_station))
