"""Stations unlike their traps: the test of sites, its size and power, and what the table says."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from scipy.stats import binom
from statsmodels.formula.api import ols  # type: ignore[import-untyped]
from statsmodels.stats.anova import anova_lm  # type: ignore[import-untyped]

from phenofit.errors import ModelError
from phenofit.files.bundled import bundled_path
from phenofit.flight import FlightModel, StationCheck, fit_flights, station_check
from phenofit.flight.diagnostics.station_differences import TemperatureRule, temperature_rule
from phenofit.flight.diagnostics.trap_year_shifts import site_effects
from phenofit.heat.settings import HeatSettings
from phenofit.records import Records
from phenofit.simulate import simulate_weather
from phenofit.study import load_study, read_records
from phenofit.traps import build_trap_years
from phenofit.weather.schema import new_dataset
from tests.calls import simulate_network
from tests.flight.networks import SEASON, network

MODEL = FlightModel(base=10.0, curve="normal", shifts=("year", "trap-year"))


def drawn_shifts(seed: int, sites: int = 6, years: int = 5) -> pd.DataFrame:
    """Draw shifts with year effects only, unbalanced."""
    rng = np.random.default_rng(seed)
    table = pd.DataFrame(
        [(f"T{s}", 2010 + y) for s in range(sites) for y in range(years)], columns=["site", "year"]
    )
    effect = rng.normal(0.0, 30.0, years)[table["year"] - 2010]
    table = table.assign(shift=effect + rng.normal(0.0, 20.0, len(table)))
    return table.drop(index=[3, 11, 12]).reset_index(drop=True)


def test_f_is_that_of_an_analysis_of_variance() -> None:
    # Outside answer: statsmodels, sums of squares of sites after years.
    table = drawn_shifts(1)
    found = site_effects(table, {f"T{s}": 0.0 for s in range(6)})
    row = anova_lm(ols("shift ~ C(year) + C(site)", table).fit()).loc["C(site)"]
    assert found.statistic == pytest.approx(row["F"], rel=1e-9)
    assert found.degrees == (5, 27 - 5 - 5)


def test_expected_size_enters_the_variance_of_balanced_sites() -> None:
    # By hand: with n years each site mean has variance s^2 / n + tau^2.
    rng = np.random.default_rng(4)
    table = pd.DataFrame(
        [(f"T{s}", 2010 + y, rng.normal(12.0 * s, 20.0)) for s in range(5) for y in range(4)],
        columns=["site", "year", "shift"],
    )
    tau = 15.0
    found = site_effects(table, {f"T{s}": tau for s in range(5)})
    means = table.groupby("site")["shift"].mean()
    rest = table["shift"] - table.groupby("site")["shift"].transform("mean")
    rest -= rest.groupby(table["year"]).transform("mean")
    square = (rest**2).sum() / 12
    centred = (means - means.mean()).to_numpy()
    assert found.statistic == pytest.approx((centred**2).sum() / (square / 4 + tau**2) / 4)
    np.testing.assert_allclose(found.effect, centred)
    np.testing.assert_allclose(found.error, np.sqrt((square / 4 + tau**2) * 4 / 5))


@pytest.mark.parametrize(
    ("sites", "years", "words"), [(2, 5, "2 sites say little"), (4, 1, "cannot be distinguished")]
)
def test_too_few_sites_or_years_are_refused(sites: int, years: int, words: str) -> None:
    rows = [(f"T{s}", 2010 + y, 1.0 * s) for s in range(sites) for y in range(years)]
    table = pd.DataFrame(rows, columns=["site", "year", "shift"])
    with pytest.raises(ModelError, match=words):
        site_effects(table, {f"T{s}": 0.0 for s in range(sites)})


def test_a_distant_or_higher_station_explains_more() -> None:
    rule = TemperatureRule(0.01)
    assert rule.expected_sd(25.0, 0.0) == pytest.approx(0.5)  # root of 25 * 0.01
    assert rule.expected_sd(0.0, -200.0) == pytest.approx(1.3)  # 6.5 degC/km
    assert rule.expected_sd(25.0, -200.0) == pytest.approx(np.hypot(0.5, 1.3))


def test_distance_rule_is_found_in_stations_that_differ_by_distance_and_by_themselves() -> None:
    # Along a meridian by a random walk of 0.02 degC2 for each km, each station off by SD 0.5; the expected slope by
    # simulation over 60 draws of 12 stations.
    found = []
    days = np.arange("2020-01-01", "2020-06-30", dtype="datetime64[D]")
    for seed in range(60):
        rng = np.random.default_rng(seed)
        steps = 111.19 * 0.1  # km for a tenth of a degree of latitude
        walk = np.cumsum(rng.normal(0.0, np.sqrt(0.02 * steps), 12)) + rng.normal(0.0, 0.5, 12)
        place = pd.DataFrame(
            {"station": [f"S{k}" for k in range(12)], "latitude": 41.0 + 0.1 * np.arange(12), "longitude": -97.0,
             "elevation_m": 400.0}
        )  # fmt: skip
        mean = np.broadcast_to(10.0 + walk[:, None], (12, len(days)))
        found.append(temperature_rule(new_dataset(place, days, mean - 5.0, mean + 5.0), days).square_per_km)
    assert np.mean(found) == pytest.approx(0.02, abs=4.0 * np.std(found) / np.sqrt(60))
    assert temperature_rule(new_dataset(place[:2], days, mean[:2], mean[:2]), days).stations == 0


def records_of(seed: int, offset_sd: float) -> tuple[Records, np.ndarray]:
    """Eight invented sites, each with a station 3 to 9 km away that reads too high by a constant of its own."""
    rng = np.random.default_rng(seed)
    sites = 8
    names = [f"T{i}" for i in range(sites)]
    where = {
        "latitude": 41.0 + rng.uniform(-0.4, 0.4, sites),
        "longitude": -97.0 + rng.uniform(-0.4, 0.4, sites),
    }
    stations = pd.DataFrame({"station": [f"S{i}" for i in range(sites)], **where, "elevation_m": 400.0})
    truth = simulate_weather(stations, first="2010-01-01", last="2014-12-31", seed=seed)
    traps = pd.DataFrame({"trap": names, "site": names, **where, "elevation_m": 400.0})
    links = traps[["trap"]].assign(
        station=stations["station"],
        distance_km=rng.uniform(3.0, 9.0, sites),
        height_difference_m=0.0,
        how="given",
    )
    catches, _ = simulate_network(
        weather=truth, traps=traps, season=SEASON, heat=HeatSettings(), base=10.0, requirements=(500.0,),
        spreads=(60.0,), shift_sd_year=20.0, shift_sd_site=0.0, shift_sd=20.0, concentration=10.0,
        moths_per_trap_year=60.0, links=dict(zip(names, links["station"], strict=True)), seed=seed,
    )  # fmt: skip
    offset = offset_sd * rng.standard_normal(sites)
    read = xr.DataArray(offset, dims="station")
    weather = truth.assign(tmin=truth["tmin"] + read, tmax=truth["tmax"] + read)
    return Records(build_trap_years(traps, catches, SEASON), weather, links, SEASON), offset


def check(records: Records, model: FlightModel = MODEL) -> StationCheck:
    return station_check(fit_flights(records, model, profiles=False, precise=False), records)


def test_the_offsets_of_stations_are_found_and_named() -> None:
    records, offset = records_of(3, 1.0)
    found = check(records)
    assert found.found
    true = offset - offset.mean()
    assert np.corrcoef(found.table["offset"], true)[0, 1] > 0.9
    assert found.table["offset"].to_numpy() == pytest.approx(true, abs=1.0)
    worst = found.table.iloc[int(found.table["shift"].abs().argmax())]
    assert worst["stands_out"]
    assert f"{worst['site']} (station {worst['station']}, " in found.sentence()
    assert ("warmer" if worst["offset"] > 0 else "colder") in found.sentence()
    assert "larger than distance and height of their stations explain" in found.sentence()


def test_heights_that_explain_the_shifts_leave_nothing_to_say() -> None:
    records, offset = records_of(3, 1.0)
    # The very offsets by height, 6.5 degC/km: a station that reads too warm stands lower.
    links = records.links.assign(height_difference_m=1000.0 * (offset + 3.0) / 6.5)
    explained = check(Records(records.trap_years, records.weather, links, SEASON))
    assert not explained.found
    assert not explained.table["stands_out"].any()
    assert "no larger than" in explained.sentence()
    # A height that all traps share is part of the requirement, and interpolated temperatures have theirs already.
    for other in (
        {"height_difference_m": 800.0},
        {"height_difference_m": links["height_difference_m"], "how": "interpolated"},
    ):
        same = check(Records(records.trap_years, records.weather, records.links.assign(**other), SEASON))
        assert same.statistic == pytest.approx(check(records).statistic)


def test_an_unknown_distance_is_refused() -> None:
    net = network(sites=4, years=3)
    links = net.links.assign(distance_km=np.nan)
    with pytest.raises(ModelError, match="distance or the height of the station of some traps is not known"):
        check(Records(net.trap_years, net.weather, links, SEASON))


@pytest.mark.slow
def test_offsets_of_one_degree_are_said_and_their_absence_is_not() -> None:
    # Wanted: said in 80 % of 20 networks with offsets of SD 1 degC, in at most 10 % without.
    said = [[check(records_of(100 + seed, size)[0]).found for seed in range(20)] for size in (1.0, 0.0)]
    assert sum(said[0]) >= 16
    assert sum(said[1]) <= 2


@pytest.mark.slow
def test_a_test_at_five_per_cent_is_wrong_in_five_per_cent_where_stations_are_at_the_traps() -> None:
    # Own simulation; the bounds are those that a right test would leave once in a thousand.
    networks = [network(seed=seed, sites=8) for seed in range(100)]
    wrong = sum(check(Records(net.trap_years, net.weather, net.links, SEASON)).found for net in networks)
    assert binom.ppf(0.0005, 100, 0.05) <= wrong <= binom.ppf(0.9995, 100, 0.05)


@pytest.mark.slow
def test_the_warm_site_of_the_demo_is_named_for_both_moths() -> None:
    # Invented data; datasets/demo/README.md: Warmwell Bench is warmer than its station.
    study = load_study(bundled_path("demo") / "study.toml")
    for species, records in read_records(study).items():
        found = check(records, study.flight_model(species))
        site = found.table.set_index("site").loc["Warmwell Bench"]
        assert site["stands_out"]
        assert site["offset"] < 0.0
        assert "Warmwell Bench (station S12" in found.sentence()
