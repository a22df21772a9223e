"""Small simulated networks with known truth, shared by the tests of this room."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from phenofit.simulate import CheckPlan, simulate_weather
from phenofit.traps import TrapYears, build_trap_years
from tests.calls import simulate_network

SEASON = Season.parse("01-01", "10-31")
HEAT = HeatSettings()


@dataclass(frozen=True)
class Network:
    """A simulated study."""

    traps: pd.DataFrame
    weather: xr.Dataset
    links: pd.DataFrame
    catches: pd.DataFrame
    truth: dict[str, Any]

    def trap_years(self) -> TrapYears:
        return build_trap_years(self.traps, self.catches, SEASON)


@cache
def network(
    *,
    sites: int = 8,
    years: int = 6,
    requirements: tuple[float, ...] = (450.0,),
    spreads: tuple[float, ...] = (60.0,),
    base: float = 10.0,
    seed: int = 3,
    moths: float = 80.0,
    shift_sd_year: float = 12.0,
    shift_sd: float = 15.0,
    concentration: float = 40.0,
    every: tuple[int, ...] = (3, 4),
) -> Network:
    """Draw a network on invented weather: `sites` traps on half as many stations."""
    rng = np.random.default_rng(seed)
    count = max(sites // 2, 1)
    stations = pd.DataFrame(
        {
            "station": [f"S{i}" for i in range(count)],
            "latitude": 42.0 + rng.uniform(-1, 1, count),
            "longitude": -97.0 + rng.uniform(-1, 1, count),
            "elevation_m": 450.0 + rng.uniform(-80, 80, count),
        }
    )
    weather = simulate_weather(stations, first="2014-01-01", last=f"{2013 + years}-12-31", seed=seed)
    at = np.arange(sites) % count
    traps = pd.DataFrame(
        {
            "trap": [f"T{i:02d}" for i in range(sites)],
            "site": [f"T{i:02d}" for i in range(sites)],
            "latitude": stations["latitude"].to_numpy()[at] + 0.02,
            "longitude": stations["longitude"].to_numpy()[at] + 0.02,
            "elevation_m": stations["elevation_m"].to_numpy()[at],
            "station": None,
        }
    )
    links = pd.DataFrame({"trap": traps["trap"], "station": stations["station"].to_numpy()[at]})
    catches, truth = simulate_network(
        weather=weather,
        traps=traps,
        season=SEASON,
        heat=HEAT,
        base=base,
        requirements=requirements,
        spreads=spreads,
        shift_sd_year=shift_sd_year,
        shift_sd=shift_sd,
        concentration=concentration,
        moths_per_trap_year=moths,
        checks=CheckPlan(every=every),
        links=dict(zip(links["trap"], links["station"], strict=True)),
        seed=seed,
    )
    return Network(traps, weather, links, catches, truth)
