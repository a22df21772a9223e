"""Catches that follow the weather of nights: anomalies, chances night by night, slopes, a fit of known truth."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenofit.errors import ModelError
from phenofit.flight import FlightFit, FlightModel
from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.flight.likelihood.log_likelihood import Likelihood
from phenofit.flight.likelihood.night_weather import night_anomalies
from phenofit.flight.likelihood.subset import subset
from tests.calls import assemble, check_residuals, fit_flights
from tests.flight import test_gradients
from tests.flight.networks import HEAT, SEASON, Network, network
from tests.flight.nights import course, night_records, with_night_effect
from tests.flight.vectors import vector


def with_effort(net: Network) -> Network:
    """The same records, every third check with half the effort."""
    table = net.trap_years.intervals.copy()
    table["effort"] = np.where(np.arange(len(table)) % 3 == 0, 0.5, 1.0)
    return replace(net, trap_years=replace(net.trap_years, intervals=table))


def by_night(net: Network, night: str | None = "tmin", records: str = "counts") -> FlightData:
    return assemble(net.trap_years, net.weather, net.links, season=SEASON, night=night, records=records)


def test_anomalies_are_residuals_of_two_harmonics() -> None:
    # Outside answer: the regression by statsmodels.
    days = np.arange(np.datetime64("2011-03-01"), np.datetime64("2014-06-01"))
    rng = np.random.default_rng(5)
    series = rng.normal(12.0, 5.0, (2, len(days)))
    series[1, 40:90] = np.nan
    found = night_anomalies(series, days)
    np.testing.assert_allclose(found[0], series[0] - course(series[0], days), atol=1e-9)
    known = np.isfinite(series[1])
    np.testing.assert_allclose(found[1][known], (series[1] - course(series[1], days))[known], atol=1e-9)
    assert (found[1][~known] == 0.0).all()


def test_a_seasonal_course_is_no_anomaly() -> None:
    days = np.arange(np.datetime64("2011-01-01"), np.datetime64("2013-01-01"))
    turn = 2 * np.pi * days.astype(float) / 365.2425
    smooth = (11.0 - 9.0 * np.cos(turn) + 2.0 * np.sin(2 * turn))[None, :]
    assert np.abs(night_anomalies(smooth, days)).max() < 1e-9


@pytest.mark.parametrize("element", ["tmin", "tmax"])
@pytest.mark.parametrize("effect", [0.0, 0.12, -0.3])
def test_the_value_is_the_sum_night_by_night(element: str, effect: float) -> None:
    net = with_effort(network(sites=2, years=2, seed=3))
    data = by_night(net, element)
    likelihood = Likelihood(data, HEAT, "normal", 1, np.full(data.trap_years, -1), nodes=(41, 1, 1))
    theta = vector(likelihood, night=effect)
    stray = 1.0 / (1.0 + math.exp(6.0))
    expected = sum(
        record.log_likelihood(10.3, 508.0, 63.0, effect, concentration=9.0, shift_sd=19.0, stray=stray)
        for record in night_records(net, element)
    )
    assert likelihood(theta, False)[0] == pytest.approx(expected, rel=1e-10)


def test_without_an_effect_midnights_change_nothing() -> None:
    net = with_effort(network(sites=3, years=2, seed=3))
    plain, cut = by_night(net, None), by_night(net)
    assert len(cut.edge_day) > 4 * len(plain.edge_day)
    groups = plain.table["year"].to_numpy()
    values = []
    for data in (plain, cut):
        likelihood = Likelihood(data, HEAT, "normal", 1, groups)
        values.append(likelihood(vector(likelihood))[0])
    assert values[0] == pytest.approx(values[1], rel=1e-12)


@pytest.mark.parametrize(
    ("flights", "options"),
    [
        (1, {}),
        pytest.param(2, {}, marks=pytest.mark.slow),
        (1, {"counts": "multinomial", "own_shift": False}),
        pytest.param(1, {"counts": "presence"}, marks=pytest.mark.slow),
    ],
)
def test_slopes_against_differences(flights: int, options: dict[str, object]) -> None:
    net = network(
        seed=4, sites=2, years=2, requirements=(450.0, 900.0), spreads=(60.0, 80.0), concentration=1e3
    )
    data = by_night(net, records="presence" if "counts" in options and len(options) == 1 else "counts")
    nodes = (21, 13, 15) if flights == 2 else (41, 21, 41)
    likelihood = test_gradients.likelihood_of(data, "normal", flights, nodes, **options)
    left = ("log concentration", "log shift_sd") if options else ()
    values = {"night": 0.13, "log abundance": 3.0, "log abundance_sd": -0.3}
    test_gradients.compare(likelihood, values, left=left, within=2e-6)


@pytest.mark.slow
def test_slopes_where_counts_are_known_from_below() -> None:
    data = by_night(network(seed=4, sites=2, years=2))
    is_open = np.where(np.arange(len(data.catch_count)) % 5 == 0, 1, 0)
    exact = np.add.reduceat(data.catch_count * (1 - is_open), data.catch_of[:-1])
    data = replace(data, catch_open=is_open, table=data.table.assign(total=exact))
    test_gradients.compare(
        test_gradients.likelihood_of(data, "log-normal", 1, (41, 9, 41)), {"night": -0.2}, within=1e-5
    )


def test_some_trap_years_keep_their_nights() -> None:
    net = network(sites=3, years=2, seed=3)
    data = by_night(net)
    keep = np.arange(data.trap_years) % 2 == 0
    groups = np.full(data.trap_years, -1)
    whole = Likelihood(data, HEAT, "normal", 1, groups)
    part = Likelihood(subset(data, keep), HEAT, "normal", 1, groups[keep])
    theta = vector(whole, night=0.2)
    np.testing.assert_allclose(
        part.by_group(theta, False)[0], whole.by_group(theta, False)[0][keep], rtol=1e-12
    )


@pytest.fixture(scope="module")
def warm_nights() -> Network:
    """Truth: base 10 °C, half at 500 °C-days, a spread of 60, an effect of 0.15 per °C of the minimum."""
    return with_night_effect(network(sites=8, years=5, seed=11), "tmin", 0.15, shift_sd_year=15.0, seed=11)


@pytest.fixture(scope="module")
def fitted(warm_nights: Network) -> FlightFit:
    return fit_flights(
        warm_nights.trap_years,
        warm_nights.weather,
        warm_nights.links,
        season=SEASON,
        night_weather="tmin",
        profiles=("base", "night_effect"),
    )


def test_the_fit_finds_the_effect_and_the_base(fitted: FlightFit) -> None:
    low, high = fitted.interval("night_effect")
    assert low is not None
    assert high is not None
    assert 0.0 < low < 0.15 < high < 0.3
    base_low, base_high = fitted.interval("base")
    assert base_low is not None
    assert base_high is not None
    assert base_low < 10.0 < base_high
    row = fitted.estimates.set_index("parameter").loc["night_effect"]
    assert row["unit"] == "1/degC"
    assert row["estimate"] == fitted.parameters["night_effect"]


def test_the_effect_can_be_held(warm_nights: Network, fitted: FlightFit) -> None:
    held = fit_flights(
        warm_nights.trap_years,
        warm_nights.weather,
        warm_nights.links,
        season=SEASON,
        night_weather="tmin",
        hold={"night_effect": 0.15},
        profiles=False,
    )
    assert held.parameters["night_effect"] == 0.15
    assert held.fitted == fitted.fitted - 1
    assert held.log_likelihood < fitted.log_likelihood


def test_the_fit_file_keeps_the_effect(fitted: FlightFit, tmp_path: Path) -> None:
    path = tmp_path / "fit.json"
    fitted.to_json(path)
    again = FlightFit.from_json(path)
    assert again.settings == fitted.settings
    assert again.settings.night_weather == "tmin"
    assert again.parameters == fitted.parameters
    # A file of a version without the setting is one of a fit without the effect.
    text = path.read_text(encoding="utf-8").replace('"night_weather": "tmin",', "")
    path.write_text(text, encoding="utf-8")
    assert FlightFit.from_json(path).settings.night_weather is None


def test_expected_counts_follow_the_nights(warm_nights: Network, fitted: FlightFit) -> None:
    net, p = warm_nights, fitted.parameters
    found = check_residuals(fitted, net.trap_years, net.weather, net.links)
    z = np.linspace(-6.0, 6.0, 201)
    weight = np.exp(-0.5 * z**2) / np.exp(-0.5 * z**2).sum()
    shifts = fitted.shift_sd * z
    for record in night_records(net, "tmin")[:5]:
        rows = found[found["trap_year"] == record.number].sort_values("end")
        chance = record.chances(
            fitted.base, p["requirement_1"], p["spread_1"], p["night_effect"], shifts, p["stray_share"]
        )
        np.testing.assert_allclose(
            rows["expected"].to_numpy(), record.count.sum() * (weight @ chance), atol=1e-6
        )
    assert pd.notna(found["residual"]).any()


def test_wrong_settings_are_refused() -> None:
    with pytest.raises(ModelError, match="night weather is tmin or tmax, not 'wind'"):
        FlightModel(night_weather="wind")
    with pytest.raises(ModelError, match="a first catch dates the flight itself"):
        FlightModel(night_weather="tmin", records="first catch")
    with pytest.raises(ModelError, match="night_effect is held, but no night weather is named"):
        FlightModel(hold={"night_effect": 0.07})
