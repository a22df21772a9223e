"""Records that leave something open: every fit ends with numbers and a plain sentence, never with NaN."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from phenofit.flight import FlightFit
from phenofit.traps import TrapYears
from tests.calls import fit_flights
from tests.flight.networks import SEASON, Network, network


def _fit(net: Network, trap_years: TrapYears | None = None, **options: object) -> FlightFit:
    return fit_flights(
        net.trap_years if trap_years is None else trap_years, net.weather, net.links, season=SEASON, **options
    )


def _whole(fit: FlightFit) -> None:
    """Every estimate is a number, every interval end a number or open, and the text can be read."""
    assert all(math.isfinite(value) for value in fit.parameters.values()), fit.parameters
    assert math.isfinite(fit.log_likelihood)
    assert np.isfinite(fit.covariance.to_numpy()).all()
    for name, profile in fit.profiles.items():
        assert np.isfinite(profile.values).all(), name
        assert np.isfinite(profile.deviance).all(), name
        low, high = fit.interval(name)
        for end in (low, high):
            assert end is None or math.isfinite(end), name
        assert low is None or low <= profile.estimate + 1e-9, name
        assert high is None or high >= profile.estimate - 1e-9, name
    assert "nan" not in fit.summary().lower()


def _said(fit: FlightFit, words: str) -> bool:
    return any(words in problem for problem in fit.problems)


def test_no_shift_and_independent_moths() -> None:
    """The truth lies at the bounds: no shift of years or trap-years, moths that come one by one."""
    net = network(sites=6, years=4, shift_sd_year=0.0, shift_sd=0.0, concentration=1e7, seed=2)
    fit = _fit(net)
    _whole(fit)
    assert fit.interval("shift_sd")[0] == 0.0
    assert fit.interval("shift_sd_year")[0] == 0.0
    assert fit.interval("concentration")[1] is None
    assert fit.parameters["concentration"] > 100
    low, high = fit.interval("base")
    assert low is not None
    assert high is not None
    assert low < 10.0 < high


def test_one_trap_year() -> None:
    fit = _fit(network(sites=1, years=1))
    _whole(fit)
    assert _said(fit, "one trap-year only")
    assert _said(fit, "do not fix the base")
    assert "shift_sd" not in fit.parameters


def test_one_year() -> None:
    fit = _fit(network(sites=6, years=1))
    _whole(fit)
    assert _said(fit, "All records are from one year")
    assert "shift_sd_year" not in fit.parameters
    assert "shift_sd" in fit.parameters


def test_one_site() -> None:
    """A trap-year in every year: its own shift and the year's are one and the same."""
    fit = _fit(network(sites=1, years=5), base=10.0)
    _whole(fit)
    assert _said(fit, "Each year has one trap-year")
    assert "shift_sd" in fit.parameters
    crossed = _fit(network(sites=1, years=5), base=10.0, shifts=("year", "site", "trap-year"))
    assert _said(crossed, "All records are from one site")
    assert crossed.parameters["requirement_1"] == pytest.approx(fit.parameters["requirement_1"], rel=1e-6)


@pytest.mark.slow
def test_all_catches_in_one_check() -> None:
    """Each trap-year caught all its moths in its fullest week: the spread is known from above only."""
    net = network(sites=5, years=4, spreads=(8.0,), shift_sd=5.0, shift_sd_year=5.0)
    table = net.trap_years.intervals.copy()
    total = table.groupby("trap_year")["count"].transform("sum")
    fullest = table.groupby("trap_year")["count"].transform("max") == table["count"]
    first = fullest & ~table.loc[fullest].duplicated("trap_year").reindex(table.index, fill_value=False)
    table["count"] = np.where(first, total, 0)
    fit = _fit(net, replace(net.trap_years, intervals=table), base=10.0)
    _whole(fit)
    low, high = fit.interval("spread_1")
    assert low is None
    assert high is not None
    assert _said(fit, "do not fix the spread, flight 1 from below")


@pytest.mark.slow
@pytest.mark.parametrize("records", ["counts", "presence"])
def test_flights_that_overlap_completely(records: str) -> None:
    """One flight taken for two: numbers, and a sentence that they cannot be distinguished or are not determined."""
    net = network(sites=3, years=2, seed=6)
    fit = _fit(net, base=10.0, flights=2, profiles=("requirement_1", "requirement_2"), records=records)
    _whole(fit)
    said = ("overlap so far", "do not fix the requirement", "did not converge")
    assert any(_said(fit, words) for words in said), fit.problems


def test_a_handful_of_moths() -> None:
    net = network(sites=3, years=2, moths=4.0)
    fit = _fit(net)
    _whole(fit)
    assert _said(fit, "moths give the timing")


def test_weather_all_above_every_base_leaves_base_and_requirement_a_ridge() -> None:
    """Days on which no temperature comes near any base: heat is days times a number, and the base is not fixed."""
    net = network(sites=4, years=1)
    warm = net.weather.copy()
    warm["tmin"] = warm["tmin"] * 0.0 + 21.0
    warm["tmax"] = warm["tmax"] * 0.0 + 29.0
    fit = fit_flights(
        net.trap_years, warm, net.links, season=SEASON, base_range=(-5.0, 20.0), profiles=("base",)
    )
    _whole(fit)
    assert fit.interval("base") == (None, None)
    assert _said(fit, "do not fix the base: its 95 % interval is open on both sides")
