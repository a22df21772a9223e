"""The invented study of the demo: its region, its species, its traps, and the files they are written to.

Nothing here is a real place, species or record. The true values are in ``truth.json`` beside the tables.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.files import write_csv, write_text
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from phenofit.simulate.schedule import CheckPlan
from phenofit.simulate.weather import Climate, simulate_weather, with_gaps
from tests.calls import simulate_network
from tests.making.demo_texts import README, STAGE_LAGS, STATION_NAMES, STUDY, TRAP_PLACES

__all__ = ["SEED", "write_demo"]

SEED = 20170442
_YEARS = range(2017, 2025)
_FIRST_DAY, _LAST_DAY = "2017-01-01", "2025-05-18"
_SEASON = Season.parse("01-01", "10-31")
_HEAT = HeatSettings(method="single sine", cutoff="horizontal", upper=None)
_WEST, _EAST, _SOUTH, _NORTH = -99.1, -97.1, 41.25, 42.55
_GAPS = (
    ("S07", "2019-05-03", "2019-05-29"),
    ("S04", "2021-03-14", "2021-03-14"),
    ("S09", "2022-06-19", "2022-06-20"),
)
"""A station that failed for most of a May, and two short failures."""


@dataclass(frozen=True)
class _Species:
    """An invented species and how it is trapped."""

    name: str
    lure: str
    host: str
    base: float
    requirements: tuple[float, ...]
    spreads: tuple[float, ...]
    shares: tuple[float, ...]
    shift_sd_year: float
    shift_sd_site: float
    shift_sd: float
    concentration: float
    moths: float
    warm_shift: float
    late_shift: float
    first: str
    last: str
    twice_weekly: int


_BORER = _Species(
    name="banded stalk borer",
    lure="B",
    host="field maize",
    base=10.4,
    requirements=(585.0,),
    spreads=(92.0,),
    shares=(1.0,),
    shift_sd_year=14.0,
    shift_sd_site=10.0,
    shift_sd=14.0,
    concentration=22.0,
    moths=75.0,
    warm_shift=-48.0,
    late_shift=52.0,
    first="05-20",
    last="08-31",
    twice_weekly=3,
)
_LEAF_FEEDER = _Species(
    name="dusky leaf feeder",
    lure="L",
    host="orchard apple",
    base=6.8,
    requirements=(365.0, 1165.0),
    spreads=(62.0, 128.0),
    shares=(0.45, 0.55),
    shift_sd_year=11.0,
    shift_sd_site=9.0,
    shift_sd=12.0,
    concentration=28.0,
    moths=110.0,
    warm_shift=-40.0,
    late_shift=46.0,
    first="04-12",
    last="09-20",
    twice_weekly=5,
)
_WARM_SITE, _LATE_SITE = "Warmwell Bench", "Late Hollow"
_PLACED = {_WARM_SITE: (42.31, -97.46), _LATE_SITE: (41.88, -98.12)}
"""Latitude and longitude of the two sites with a climate of their own; the others lie anywhere."""
_VALLEY_REACH_KM = 40.0


def write_demo(folder: Path, *, seed: int = SEED) -> None:
    """Write the invented study into a folder.

    Parameters
    ----------
    folder : Path
        Receives ``study.toml``, ``traps.csv``, ``catches.csv``, ``weather.csv``, ``stations.csv``,
        ``stage_lags.csv``, ``truth.json`` and ``README.md``; files of these names are replaced.
    seed : int
        Same seed, same bytes.
    """
    rng = np.random.default_rng(seed)
    stations = _stations(rng)
    traps = _traps(rng)
    climate = Climate(mean=9.8, amplitude=12.8, year_sd=1.0, memory=0.8, day_sd=3.6, elevation=650.0)
    weather = simulate_weather(stations, first=_FIRST_DAY, last=_LAST_DAY, climate=climate, seed=seed + 1)
    catches, truths = [], {}
    for number, species in enumerate((_BORER, _LEAF_FEEDER)):
        caught, truth = _catches(species, traps, weather, seed + 2 + number)
        catches.append(caught.assign(species=species.name))
        truths[species.name] = {
            **truth,
            "host": species.host,
            "places": {
                _WARM_SITE: f"warm microclimate, {species.warm_shift:g} degC d",
                _LATE_SITE: f"middle of a late valley, {species.late_shift:+g} degC d",
            },
        }
    _write_stations(folder, stations, with_gaps(weather, _GAPS))
    write_csv(
        folder / "traps.csv",
        ["trap", "site", "latitude", "longitude", "elevation_m", "crop"],
        traps.itertuples(index=False),
    )
    _write_catches(folder / "catches.csv", pd.concat(catches))
    write_text(folder / "truth.json", _truth_text(truths, seed))
    write_text(folder / "study.toml", STUDY)
    write_text(folder / "stage_lags.csv", STAGE_LAGS)
    write_text(folder / "README.md", README)


def _stations(rng: np.random.Generator) -> pd.DataFrame:
    # A jittered grid: no place of the region is far from a station.
    columns, rows = 4, 3
    east = _WEST + (np.arange(columns) + 0.5) * (_EAST - _WEST) / columns
    north = _SOUTH + (np.arange(rows) + 0.5) * (_NORTH - _SOUTH) / rows
    lon, lat = (grid.ravel() for grid in np.meshgrid(east, north))
    lon = np.round(lon + rng.uniform(-0.12, 0.12, lon.size), 3)
    lat = np.round(lat + rng.uniform(-0.1, 0.1, lat.size), 3)
    return pd.DataFrame(
        {
            "station": [f"S{number:02d}" for number in range(1, lon.size + 1)],
            "station_name": list(STATION_NAMES),
            "latitude": lat,
            "longitude": lon,
            "elevation_m": _height(lon, rng),
        }
    )


def _traps(rng: np.random.Generator) -> pd.DataFrame:
    rows = []
    for number, (site, lures) in enumerate(TRAP_PLACES, start=1):
        lon = float(np.round(rng.uniform(_WEST + 0.1, _EAST - 0.1), 4))
        lat = float(np.round(rng.uniform(_SOUTH + 0.08, _NORTH - 0.08), 4))
        lat, lon = _PLACED.get(site, (lat, lon))
        elevation = float(_height(np.array([lon]), rng)[0])
        for lure in lures:
            species = _BORER if lure == _BORER.lure else _LEAF_FEEDER
            rows.append(
                {
                    "trap": f"{number:02d}{lure}",
                    "site": site,
                    "latitude": lat,
                    "longitude": lon,
                    "elevation_m": int(elevation),
                    "crop": species.host,
                }
            )
    return pd.DataFrame(rows)


def _height(longitude: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Height above the sea [m]: the region rises to the west, with hills of some tens of metres."""
    return np.round(430 + 260 * (_EAST - longitude) + rng.normal(0, 25, longitude.size)).astype(int)


def _catches(
    species: _Species, traps: pd.DataFrame, weather: xr.Dataset, seed: int
) -> tuple[pd.DataFrame, dict[str, Any]]:
    mine = traps[traps["trap"].str.endswith(species.lure)]
    # Some traps are tended twice a week; the others once.
    plans = {
        trap: CheckPlan(
            first=species.first,
            last=species.last,
            every=(3, 4) if position % species.twice_weekly == 0 else (7,),
            missed=0.035,
            lost=0.008,
            late=0.06,
            jitter=4,
        )
        for position, trap in enumerate(mine["trap"])
    }
    return simulate_network(
        weather=weather,
        traps=mine,
        season=_SEASON,
        heat=_HEAT,
        base=species.base,
        requirements=species.requirements,
        spreads=species.spreads,
        shares=species.shares,
        share_concentration=30.0,
        shift_sd_year=species.shift_sd_year,
        shift_sd_site=species.shift_sd_site,
        shift_sd=species.shift_sd,
        site_shifts=_site_shifts(species, mine),
        concentration=species.concentration,
        moths_per_trap_year=species.moths,
        moths_size=2.5,
        stray=0.001,
        checks=plans,
        years=list(_YEARS),
        species=species.name,
        seed=seed,
    )


def _site_shifts(species: _Species, traps: pd.DataFrame) -> dict[str, float]:
    """Return the fixed shift of each site: one warm bench, and a valley that is late and fades out around its middle."""
    places = traps.drop_duplicates("site")
    sites = places["site"].tolist()
    at = np.column_stack([places["latitude"].to_numpy(float), places["longitude"].to_numpy(float)])
    away = 111.2 * (at - at[sites.index(_LATE_SITE)]) * np.array([1.0, np.cos(np.radians(42.0))])
    shifts = species.late_shift * np.exp(-0.5 * (away**2).sum(axis=1) / _VALLEY_REACH_KM**2)
    shifts[sites.index(_WARM_SITE)] = species.warm_shift
    shifts = np.round(shifts - shifts.mean(), 1)  # so that the requirement stays that of the mean site
    return dict(zip(sites, shifts.tolist(), strict=True))


def _write_stations(folder: Path, stations: pd.DataFrame, weather: xr.Dataset) -> None:
    write_csv(folder / "stations.csv", list(stations.columns), stations.itertuples(index=False))
    days = np.datetime_as_string(weather["time"].values, unit="D")
    rows = []
    for station in weather["station"].values:
        series = weather.sel(station=station)
        pairs = zip(days, series["tmin"].to_numpy(), series["tmax"].to_numpy(), strict=True)
        # A failed station writes no line at all; the reader must notice.
        rows += [(station, day, f"{low:.1f}", f"{high:.1f}") for day, low, high in pairs if np.isfinite(low)]
    lines = ["station,date,tmin,tmax", *(",".join(row) for row in rows)]
    write_text(folder / "weather.csv", "\n".join(lines) + "\n")


def _write_catches(path: Path, catches: pd.DataFrame) -> None:
    # A check not made is an empty cell; a trap found gone is the word "lost".
    words = {"missing": "", "lost": "lost"}
    counts = [
        words.get(status) if status in words else int(count)
        for status, count in zip(catches["status"], catches["count"], strict=True)
    ]
    table = pd.DataFrame(
        {
            "trap": catches["trap"],
            "species": catches["species"],
            "set": catches["set"].dt.strftime("%Y-%m-%d"),
            "checked": catches["check"].dt.strftime("%Y-%m-%d"),
            "moths": counts,
        }
    )
    write_csv(path, list(table.columns), table.itertuples(index=False))


def _truth_text(truths: Mapping[str, Any], seed: int) -> str:
    facts = {
        "invented": True,
        "note": "Invented data: these are the values from which the catches were drawn.",
        "seed": seed,
        "season": {"start": str(_SEASON.start), "end": str(_SEASON.end)},
        "weather_taken_out": [
            {"station": station, "first": first, "last": last} for station, first, last in _GAPS
        ],
        "species": truths,
    }
    return json.dumps(facts, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def main(argv: Sequence[str] | None = None) -> int:
    """Write the study and say where it is; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.making.demo_study", description=__doc__)
    parser.add_argument("--out", required=True, type=Path, help="folder that receives the files")
    parser.add_argument(
        "--seed", type=int, default=SEED, help="seed of every draw (default: that of the demo)"
    )
    arguments = parser.parse_args(argv)
    write_demo(arguments.out, seed=arguments.seed)
    sys.stdout.write(f"invented study written to {arguments.out}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
