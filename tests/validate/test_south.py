"""A season across New Year, on the southern hemisphere: labels, folds, dates and forecasts hold together."""

from __future__ import annotations

import pandas as pd
import pytest
import xarray as xr

from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from phenofit.simulate import CheckPlan, Climate, simulate_weather
from phenofit.traps import TrapYears, build_trap_years
from phenofit.validate import PublishedThreshold
from tests.calls import compare_published, cross_validate, fit_flights, forecast, simulate_network

SOUTH = Season.parse("07-01", "05-31")
HEAT = HeatSettings()
TRAPS = pd.DataFrame(
    {
        "trap": ["A", "B", "C"],
        "site": ["A", "B", "C"],
        "latitude": -35.0,
        "longitude": [149.0, 149.3, 149.6],
        "elevation_m": 450.0,
        "station": None,
    }
)
LINKS = pd.DataFrame({"trap": ["A", "B", "C"], "station": "S"})


@pytest.fixture(scope="module")
def weather() -> xr.Dataset:
    stations = pd.DataFrame(
        {"station": ["S"], "latitude": [-35.0], "longitude": [149.0], "elevation_m": [450.0]}
    )
    # The climate's gradient counts northern degrees; at its own latitude it has no effect.
    climate = Climate(coldest=200, latitude=-35.0)
    return simulate_weather(stations, first="2015-07-01", last="2020-06-30", climate=climate, seed=6)


@pytest.fixture(scope="module")
def records(weather: xr.Dataset) -> TrapYears:
    catches, _ = simulate_network(
        weather=weather,
        traps=TRAPS,
        season=SOUTH,
        heat=HEAT,
        base=10.0,
        requirements=(800.0,),
        spreads=(90.0,),
        shift_sd=10.0,
        shift_sd_year=8.0,
        concentration=40.0,
        moths_per_trap_year=90.0,
        checks=CheckPlan(first="10-15", last="04-30", every=(4, 3)),
        links={"A": "S", "B": "S", "C": "S"},
        seed=6,
    )
    return build_trap_years(TRAPS, catches, SOUTH)


def test_seasons_are_held_out_whole_and_dates_cross_new_year(records: TrapYears, weather: xr.Dataset) -> None:
    table = cross_validate(records, weather, LINKS, season=SOUTH, heat=HEAT, draws=200)
    assert set(table["fold"]) == {"2015/16", "2016/17", "2017/18", "2018/19", "2019/20"}
    late = table[(table["event"] == "flight_95") & (table["forecaster"] == "fitted")]
    early = table[(table["event"] == "flight_5") & (table["forecaster"] == "fitted")]
    assert (late["observed"].dt.year == late["year"] + 1).any()
    assert (early["observed"].dt.year == early["year"]).any()
    fitted = table[table["forecaster"] == "fitted"]
    assert fitted["error_days"].abs().mean() < 4.0
    assert fitted["covered95"].astype(float).mean() > 0.85


def test_thresholds_count_from_inside_the_season_only(records: TrapYears, weather: xr.Dataset) -> None:
    spring = PublishedThreshold(
        id="x", species="s", event="flight_50", flight=1, amount=800.0, unit="degC d", base=10.0,
        method="single sine", start="09-01",
    )  # fmt: skip
    found = compare_published(records, weather, LINKS, spring, season=SOUTH, heat=HEAT)
    assert found.usable
    assert "from 09-01" in found.sentence
    new_year = PublishedThreshold(**{**spring.__dict__, "start": "01-01"})
    found = compare_published(records, weather, LINKS, new_year, season=SOUTH, heat=HEAT)
    assert found.verdict == "cannot be tested"
    assert "after New Year in a season that begins 07-01" in found.sentence


def test_a_forecast_before_new_year_tells_of_dates_after_it(records: TrapYears, weather: xr.Dataset) -> None:
    fit = fit_flights(records, weather, LINKS, season=SOUTH, heat=HEAT, profiles=False)
    table = forecast(fit, weather, LINKS.iloc[:1], today="2019-11-15", draws=200)
    assert (table["season"] == "2019/20").all()
    assert (table["past_seasons"] == 4).all()
    assert table["median"].between(pd.Timestamp("2019-11-15"), pd.Timestamp("2020-04-01")).all()
