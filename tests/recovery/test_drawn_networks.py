"""Drawn networks have the truth that they say: heat, dates, timing of the catches, and what a scenario adds to them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from phenofit.heat import degree_days
from phenofit.traps import read_catches
from tests.benchmarks.coverage_study.scenarios import KNOWN
from tests.recovery.other_truths import (
    DrawnNetwork,
    Rate,
    Truth,
    capped,
    draw_network,
    flown_by_check,
    half_days_to,
    heat_course,
    linear,
    linear_requirements,
    night_anomalies,
    season_days,
    skewed,
)
from tests.recovery.real_networks import BASE, PLACES, block, station_weather


def package_heat(network: DrawnNetwork, station: str, begin: str) -> pd.Series:
    """Heat from the begin of each year to each midnight, by the package's own single sine."""
    part = network.weather.sel(station=station)
    when = pd.DatetimeIndex(part["time"].to_numpy())
    daily = np.asarray(degree_days(part["tmin"].to_numpy(), part["tmax"].to_numpy(), base=BASE))
    daily = np.where(when.strftime("%m-%d") < begin, 0.0, daily)
    return pd.Series(daily, when).groupby(when.year).cumsum().shift(1, fill_value=0.0)


def heat_at(heat: pd.Series, when: pd.Series) -> np.ndarray:
    days = pd.DatetimeIndex(when)
    known = pd.DatetimeIndex(heat.index).as_unit(days.unit)
    return np.asarray(np.interp(days.asi8, known.asi8, heat.to_numpy()))


@pytest.mark.parametrize(("rate", "upper"), [(linear, None), (capped, 30.0)])
def test_the_course_of_heat_is_the_integral_of_the_rate(rate: Rate, upper: float | None) -> None:
    # The package integrates the sine in closed form; the simulator sums 96 points a day.
    weather, years = block("champion", 1, np.random.default_rng(1))
    part = weather.sel(station="champion")
    low, high = part["tmin"].to_numpy(), part["tmax"].to_numpy()
    exact = np.concatenate([[0.0], np.cumsum(np.asarray(degree_days(low, high, base=BASE, upper=upper)))])
    course = heat_course(low, high, rate)
    assert np.abs(course[::2] - exact).max() < 0.5
    np.testing.assert_allclose(course[1::2], 0.5 * (course[:-1:2] + course[2::2]))
    assert len(season_days(years[0])) in (304, 305)


def test_the_time_of_a_heat_is_found_between_half_days() -> None:
    assert half_days_to(np.array([0.0, 0.0, 2.0, 6.0]), 1.0) == pytest.approx(1.5)
    assert half_days_to(np.array([0.0, 0.0, 2.0, 6.0]), 5.0) == pytest.approx(2.75)
    assert np.isnan(half_days_to(np.array([0.0, 1.0]), 5.0))


@pytest.mark.parametrize("curve", ["gamma", "Weibull"])
def test_a_skewed_flight_has_its_median_sd_and_skewness(curve: str) -> None:
    # Moments from the share flown, summed on a fine grid.
    flight = skewed(curve)
    edges = np.linspace(200.0, 2500.0, 230001)
    heat, mass = 0.5 * (edges[1:] + edges[:-1]), np.diff(flight.share(edges))
    mean = float(mass @ heat)
    sd = float(mass @ (heat - mean) ** 2) ** 0.5
    assert flight.median == pytest.approx(500.0)
    assert mean == pytest.approx(flight.mean, abs=0.01)
    assert sd == pytest.approx(60.0, abs=0.01)
    assert float(mass @ (heat - mean) ** 3) / sd**3 == pytest.approx(1.1, abs=0.001)
    assert flight.share(np.array([flight.quantile(0.05)])) == pytest.approx(0.05)


@pytest.mark.parametrize("name", ["default", "gamma", "from-1-april"])
def test_catches_and_dates_follow_the_truth(name: str) -> None:
    """The heat at the middle of a check less the shift of its trap-year has the mean of the flight.

    Heat by the package's own sums. Catches of a trap-year are clustered, so trap-years are the units of the standard
    error. Sums from the wrong day are 16 °C-days (England) and 68 °C-days (Champion) off, five standard errors or more.
    """
    truth = KNOWN[name].truth
    errors, offsets = [], []
    for number in range(2):
        network = draw_network(truth, PLACES[number], seed=(91, number))
        for _, trap in network.traps.iterrows():
            heat = package_heat(network, trap["station"], truth.begin)
            events = network.events[network.events["trap"] == trap["trap"]].set_index("year")
            offsets += (heat_at(heat, events["date"]) - truth.flights[0].median).tolist()
            table = network.catches[network.catches["trap"] == trap["trap"]]
            for year, checks in table.groupby(table["date"].str[:4].astype(int)):
                ends = pd.DatetimeIndex(checks["date"]) + pd.Timedelta(hours=12)
                begun = ends - pd.Timedelta(days=truth.every)
                middle = 0.5 * (heat_at(heat, ends.to_series()) + heat_at(heat, begun.to_series()))
                if checks["count"].sum() > 0:
                    mean = np.average(middle, weights=checks["count"]) - events.loc[year, "shift"]
                    errors.append(mean - truth.flights[0].mean)
    standard = np.std(errors, ddof=1) / np.sqrt(len(errors))
    assert standard < 4.0
    assert abs(np.mean(errors)) < 3.5 * standard
    assert np.abs(offsets).max() < 0.5
    pd.testing.assert_series_equal(network.events["date"], network.events["station_date"], check_names=False)


def test_requirements_in_expectation() -> None:
    assert linear_requirements(Truth(), "england") == pytest.approx((500.0,), abs=1e-6)
    # With the begin in April the heat before it adds to the requirement.
    weather = station_weather("champion")
    early = weather.sel(time=weather["time"].dt.month < 4)
    daily = np.asarray(degree_days(early["tmin"].to_numpy(), early["tmax"].to_numpy(), base=BASE))
    years = np.unique(early["time"].dt.year)
    expected = 500.0 + daily.sum() / len(years)
    assert linear_requirements(Truth(begin="04-01"), "champion") == pytest.approx((expected,), abs=0.5)
    # A capped rate is slower, so that more linear heat is there when its sum is reached.
    assert 500.5 < linear_requirements(Truth(rate=capped), "champion")[0] < 515.0


def test_a_warm_night_weighs_more() -> None:
    truth, rng = Truth(), np.random.default_rng(0)
    checks = np.arange(np.datetime64("2001-05-01"), np.datetime64("2001-05-30"), 7)
    heat = np.linspace(0.0, 1200.0, 2 * 304 + 1)
    plain = flown_by_check(truth, heat, np.ones(608), checks, rng)
    at = 2 * (checks - np.datetime64("2001-01-01")).astype(int) + 1
    np.testing.assert_allclose(plain, np.diff(truth.flights[0].share(heat[at])))
    night = np.ones(608)
    night[at[1] : at[2]] = 3.0
    np.testing.assert_allclose(flown_by_check(truth, heat, night, checks, rng), plain * [1, 3, 1, 1])
    anomaly = night_anomalies(station_weather("england"))["norfolk"]
    assert anomaly.groupby(pd.DatetimeIndex(anomaly.index).month).mean().abs().max() < 0.5
    assert 2.0 < anomaly.std() < 6.0


def test_what_a_scenario_adds_is_in_the_catches() -> None:
    unequal = draw_network(KNOWN["unequal-traps"].truth, "champion", seed=(91, 0)).catches
    even = draw_network(KNOWN["default"].truth, "champion", seed=(91, 0)).catches
    spread = [np.log(c.groupby("trap")["count"].sum()).std() for c in (even, unequal)]
    assert spread[0] < 0.6
    assert 0.9 < spread[1] < 2.4
    stray = draw_network(KNOWN["strays"].truth, "champion", seed=(91, 0)).catches
    late = [float(c["count"][c["date"].str[5:] > "08-10"].sum() / c["count"].sum()) for c in (even, stray)]
    assert late[0] == 0.0
    assert 0.0 < late[1] < 0.03
    away = draw_network(KNOWN["station-unlike-trap"].truth, "champion", seed=(91, 0)).events
    days = (away["date"] - away["station_date"]).dt.total_seconds() / 86400.0
    # Eight sites whose offsets have SD 1 °C: at about ten degrees above the base over sixty days, some six days.
    assert 2.0 < days.groupby(away["trap"]).mean().std() < 10.0
    rare = draw_network(KNOWN["14-day-checks"].truth, "champion", seed=(91, 0)).catches
    apart = read_catches(rare, dates="year-first", blank="zero").groupby("trap")["check"].diff().dt.days
    assert apart.mode().tolist() == [14.0]
