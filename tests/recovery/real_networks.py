"""Simulated catches with known truth on real weather, for studies of how intervals and estimates behave."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from phenofit.simulate import CheckPlan
from phenofit.traps import TrapYears, build_trap_years
from tests.calls import assemble, simulate_network
from tests.weather.real import champion, england

SEASON = Season.parse("01-01", "10-31")
HEAT = HeatSettings()
BASE, REQUIREMENT, SPREAD, SHIFT_SD, CONCENTRATION = 10.0, 500.0, 60.0, 20.0, 10.0
PLACES = ("champion", "england")
# The coolest county does not reach the requirement in most years.
_COUNTIES = ("cambridge", "norfolk", "suffolk", "lincolnshire")
# Three years in four of all flights lie well within these; the likelihood asks for no more.
CHECKS = {"champion": CheckPlan("04-25", "08-25"), "england": CheckPlan("06-01", "10-20")}


@dataclass(frozen=True)
class Network:
    """Records and the weather of their years."""

    trap_years: TrapYears
    weather: xr.Dataset
    links: pd.DataFrame

    def data(self) -> FlightData:
        return assemble(self.trap_years, self.weather, self.links, season=SEASON)


@cache
def station_weather(place: str) -> xr.Dataset:
    """Return all years of the stations of a place."""
    if place == "champion":
        return champion()[["tmin", "tmax"]]
    return england()[["tmin", "tmax"]].sel(station=list(_COUNTIES))


def traps_of(place: str, sites: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return a trap table with the stations dealt in turn, and the links."""
    stations = [str(s) for s in station_weather(place)["station"].to_numpy()]
    names = [f"T{i + 1}" for i in range(sites)]
    traps = pd.DataFrame(
        {
            "trap": names,
            "site": names,
            "latitude": 0.0,
            "longitude": 0.0,
            "elevation_m": np.nan,
            "station": [stations[i % len(stations)] for i in range(sites)],
        }
    )
    links = traps[["trap", "station"]].assign(distance_km=0.0, height_difference_m=0.0, how="given")
    return traps, links


def block(
    place: str, years: int, rng: np.random.Generator, first: int | None = None
) -> tuple[xr.Dataset, list[int]]:
    """Return the weather of a run of real years, drawn at random unless its first year is given, and its years."""
    whole = station_weather(place)
    known = np.unique(whole["time"].dt.year.to_numpy())
    if first is None:
        first = int(rng.choice(known[: len(known) - years + 1]))
    return whole.sel(time=slice(f"{first}", f"{first + years - 1}")), list(range(first, first + years))


def real_network(
    place: str,
    *,
    seed: tuple[int, ...],
    years: int,
    sites: int = 8,
    shift_sd_year: float = 20.0,
    shift_sd_site: float = 0.0,
    shift_sd: float = SHIFT_SD,
    concentration: float = CONCENTRATION,
    moths: float = 60.0,
    requirements: tuple[float, ...] = (REQUIREMENT,),
    spreads: tuple[float, ...] = (SPREAD,),
    curve: str = "normal",
    first: int | None = None,
) -> Network:
    """Draw a network of the study: weekly checks, base 10 degC, another block of real years for another seed."""
    rng = np.random.default_rng(list(seed))
    weather, chosen = block(place, years, rng, first)
    traps, links = traps_of(place, sites)
    catches, _ = simulate_network(
        weather=weather,
        traps=traps,
        season=SEASON,
        heat=HEAT,
        base=BASE,
        requirements=requirements,
        spreads=spreads,
        shift_sd_year=shift_sd_year,
        shift_sd_site=shift_sd_site,
        shift_sd=shift_sd,
        concentration=concentration,
        moths_per_trap_year=moths,
        curve=curve,
        checks=CHECKS[place],
        years=chosen,
        links=dict(zip(traps["trap"], traps["station"], strict=True)),
        seed=int(rng.integers(2**31)),
    )
    return Network(build_trap_years(traps, catches, SEASON), weather, links)
