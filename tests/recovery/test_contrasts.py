"""How often a contrast of regions is found where there is none, and how often its interval holds a true ratio."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from scipy.stats import binom

from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from phenofit.simulate import CheckPlan, simulate_weather
from phenofit.traps import TrapYears, build_trap_years
from tests.calls import contrast, simulate_network

SEASON = Season.parse("01-01", "10-31")
NETWORKS = 60


def regional(seed: int, north: float) -> tuple[TrapYears, xr.Dataset, pd.DataFrame]:
    """Eight invented sites in two regions, five years; sites differ by SD 25 degC d, the north by `north` more."""
    names = [f"T{i}" for i in range(8)]
    stations = pd.DataFrame(
        {
            "station": ["S1", "S2"],
            "latitude": [41.0, 41.4],
            "longitude": [-97.0, -97.6],
            "elevation_m": [400.0, 460.0],
        }
    )
    weather = simulate_weather(stations, first="2010-01-01", last="2014-12-31", seed=seed)
    traps = pd.DataFrame(
        {
            "trap": names,
            "site": names,
            "latitude": 41.2,
            "longitude": -97.3 + 0.01 * np.arange(8),
            "elevation_m": 420.0,
            "station": [f"S{1 + i % 2}" for i in range(8)],
            "region": ["North" if (i // 2) % 2 else "South" for i in range(8)],
        }
    )
    catches, _ = simulate_network(
        weather=weather,
        traps=traps,
        season=SEASON,
        heat=HeatSettings(),
        base=10.0,
        requirements=(500.0,),
        spreads=(60.0,),
        shift_sd_year=0.0,
        shift_sd_site=25.0,
        shift_sd=20.0,
        site_shifts={t: north for t, r in zip(names, traps["region"], strict=True) if r == "North"},
        concentration=10.0,
        moths_per_trap_year=60.0,
        checks=CheckPlan(),
        links=dict(zip(names, traps["station"], strict=True)),
        seed=seed,
    )
    links = traps[["trap", "station"]].assign(distance_km=0.0, height_difference_m=0.0, how="given")
    return build_trap_years(traps, catches, SEASON), weather, links


@pytest.mark.slow
def test_the_test_keeps_its_level_and_the_interval_holds_the_ratio() -> None:
    # Own simulation. 5 % of false alarms and 95 % of intervals are wanted; the bounds are the binomial ones that a
    # right procedure would leave once in a thousand.
    false_alarm, held, plain = [], [], []
    for seed in range(NETWORKS):
        records = regional(20000 + seed, 60.0)
        found = contrast(*records, "region", season=SEASON, base=10.0, shifts=("site", "trap-year"))
        row = found.table.set_index("level").loc["South"]
        held.append(bool(row["ratio_low"] <= 500.0 / 560.0 <= row["ratio_high"]))
        none = contrast(
            *regional(20000 + seed, 0.0), "region", season=SEASON, base=10.0, shifts=("site", "trap-year")
        )
        false_alarm.append(none.p_value < 0.05)
        plain.append(none.p_chi_squared < 0.05)
    assert sum(false_alarm) <= binom.ppf(0.999, NETWORKS, 0.05)
    assert sum(held) >= binom.ppf(0.001, NETWORKS, 0.95)
    assert sum(plain) >= sum(false_alarm)
