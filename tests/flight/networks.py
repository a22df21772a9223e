"""Simulated networks with known truth on invented weather, for the tests of the flight room."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.flight import FlightFit
from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from phenofit.simulate import CheckPlan, simulate_weather
from phenofit.traps import TrapYears, build_trap_years
from tests.calls import assemble, fit_flights, simulate_network

SEASON = Season.parse("01-01", "10-31")
HEAT = HeatSettings()


@dataclass(frozen=True)
class Network:
    trap_years: TrapYears
    weather: xr.Dataset
    links: pd.DataFrame
    truth: dict[str, Any] = field(default_factory=dict)

    def data(self) -> FlightData:
        return assemble(self.trap_years, self.weather, self.links, season=SEASON)


@cache
def network(
    *,
    seed: int = 1,
    sites: int = 6,
    years: int = 5,
    requirements: tuple[float, ...] = (500.0,),
    spreads: tuple[float, ...] = (60.0,),
    shift_sd_year: float = 20.0,
    shift_sd_site: float = 0.0,
    shift_sd: float = 20.0,
    concentration: float = 10.0,
    moths: float = 60.0,
    curve: str = "normal",
    site_shifts: tuple[tuple[str, float], ...] = (),
    start: str = "01-01",
    heat: HeatSettings = HEAT,
) -> Network:
    """Draw a network; base 10 degC, weekly checks; the moths count heat from `start`."""
    stations = pd.DataFrame(
        {
            "station": ["S1", "S2"],
            "latitude": [41.0, 41.4],
            "longitude": [-97.0, -97.6],
            "elevation_m": [400.0, 460.0],
        }
    )
    weather = simulate_weather(stations, first="2010-01-01", last=f"{2009 + years}-12-31", seed=seed)
    rng = np.random.default_rng(seed)
    traps = pd.DataFrame(
        {
            "trap": [f"T{i}" for i in range(sites)],
            "site": [f"T{i}" for i in range(sites)],
            "latitude": 41.2 + rng.uniform(-0.3, 0.3, sites),
            "longitude": -97.3 + rng.uniform(-0.3, 0.3, sites),
            "elevation_m": 420.0 + rng.uniform(-40.0, 40.0, sites),
            "station": [f"S{1 + i % 2}" for i in range(sites)],
        }
    )
    catches, truth = simulate_network(
        weather=weather,
        traps=traps,
        season=Season.parse(start, str(SEASON.end)),
        heat=heat,
        base=10.0,
        requirements=requirements,
        spreads=spreads,
        shift_sd_year=shift_sd_year,
        shift_sd_site=shift_sd_site,
        shift_sd=shift_sd,
        concentration=concentration,
        moths_per_trap_year=moths,
        curve=curve,
        site_shifts=dict(site_shifts),
        checks=CheckPlan(),
        links=dict(zip(traps["trap"], traps["station"], strict=True)),
        seed=seed,
    )
    links = traps[["trap", "station"]].assign(distance_km=0.0, height_difference_m=0.0, how="given")
    return Network(build_trap_years(traps, catches, SEASON), weather, links, truth)


def fit_network(n: Network, **options: Any) -> FlightFit:
    """Fit a network with a normal curve, shifts of years and trap-years, and an interval search where asked."""
    return fit_flights(n.trap_years, n.weather, n.links, season=SEASON, **{"curve": "normal", **options})
