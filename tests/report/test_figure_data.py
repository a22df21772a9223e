"""The numbers behind the figures, against the fit's own intervals and against scipy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

import phenofit
from phenofit.analysis.fit_checks import check_fit
from phenofit.analysis.results import StudyResult
from phenofit.flight.sampling import Sampling
from phenofit.plots.catch_plots import most_moths, plot_catches
from phenofit.plots.cumulative_curves import cumulative_curve
from phenofit.plots.flight_curves import flight_curve, season_heat


def test_whole_catch_lies_on_the_heat_scale(result: StudyResult) -> None:
    species = result.species[0]
    curve = flight_curve(species.fit, species.records)
    # Every trap-year adds up to 100 %; next to nothing lies beyond the drawn range.
    assert float(curve.caught.sum()) == pytest.approx(100.0, abs=2.0)
    assert (curve.caught >= 0).all()
    assert curve.trap_years == len(species.fit.data)


def test_fitted_curve_is_the_flight_widened_by_the_shifts(result: StudyResult) -> None:
    species = result.species[0]
    fit = species.fit
    curve = flight_curve(fit, species.records)
    # A normal curve with a normal shift is a normal curve; the variances add (any textbook of probability).
    wide = stats.norm(fit.requirement(), np.hypot(fit.spread(), fit.shift_sd))
    step = curve.edges[1] - curve.edges[0]
    expected = 100 * (wide.cdf(curve.heat + step / 2) - wide.cdf(curve.heat - step / 2))
    assert np.abs(curve.flown - expected).max() < 1e-6


def test_catch_lies_around_the_fitted_requirement(result: StudyResult) -> None:
    species = result.species[0]
    curve = flight_curve(species.fit, species.records)
    middle = 0.5 * (curve.edges[1:] + curve.edges[:-1])
    mean = float((middle * curve.caught).sum() / curve.caught.sum())
    assert mean == pytest.approx(species.fit.requirement(), abs=0.25 * species.fit.spread())


def test_the_region_on_the_page_holds_both_parameters_at_once(result: StudyResult) -> None:
    species = result.species[0]
    region = species.checks.regions[1]
    assert region.contains(species.fit.base, species.fit.requirement())
    for axis, name in enumerate(("base", "requirement_1")):
        low, high = species.fit.interval(name)
        assert low is not None
        assert high is not None
        # Two parameters at once need a wider range than one alone.
        assert region.outline[:, axis].min() < low
        assert region.outline[:, axis].max() > high


def test_a_base_that_was_held_has_no_region(result: StudyResult) -> None:
    fit = phenofit.fit_flights(result.species[0].records, phenofit.FlightModel(base=10.0))
    assert check_fit(fit, result.species[0].records, min_moths=5, seed=1).regions == {}


def test_season_heat_is_the_sum_of_the_heat_room(result: StudyResult) -> None:
    fit, weather = result.species[0].fit, result.inputs.weather
    heat = season_heat(fit, weather, "A")
    assert list(heat.past) == ["2018", "2019", "2020", "2021"]
    assert heat.current is not None
    assert heat.current[0] == "2022"
    known = np.isfinite(heat.current[1])
    # 1 January to 10 June are 161 days; the running sum is given at the midnight that begins each day and one more.
    assert int(known.sum()) == 162
    # A plain sum of simple daily averages above the base is close to the sine in summer, where no night is colder.
    year = weather.sel(station="A", time=slice("2019-07-01", "2019-07-31"))
    mean = 0.5 * (year["tmin"] + year["tmax"]) - fit.base
    assert float(year["tmin"].min()) > fit.base or float(mean.min()) > 0
    grown = heat.past["2019"][212] - heat.past["2019"][181]  # midnight of 1 August less midnight of 1 July
    assert grown == pytest.approx(float(mean.sum()), rel=0.02)
    start, half, end = heat.bands[0]
    assert stats.norm.cdf([start, half, end], fit.requirement(), fit.spread()) == pytest.approx(
        [0.05, 0.5, 0.95]
    )


def test_cumulative_catch_ends_at_all_of_it_and_lies_in_its_band(result: StudyResult) -> None:
    species = result.species[0]
    fit = species.fit
    curve = cumulative_curve(fit, species.records)
    assert len(curve.observed) == len(fit.data)
    for line in curve.observed:
        assert line[0, 1] == 0.0
        assert line[-1, 1] == 100.0
        assert (np.diff(line, axis=0) >= 0.0).all()
    # A typical trap-year of one normal flight is a normal distribution (scipy).
    expected = 100 * stats.norm.cdf(curve.heat, fit.requirement(), fit.spread())
    assert np.abs(curve.typical - expected).max() < 1e-6
    assert (curve.low - 0.5 <= curve.typical).all()
    assert (curve.typical <= curve.high + 0.5).all()
    points = np.concatenate(curve.observed)
    middle = np.abs(points[:, 0] - fit.requirement()) < 1.6 * fit.spread()
    low, high = (np.interp(points[middle, 0], curve.heat, end) for end in (curve.trap_low, curve.trap_high))
    inside = (low <= points[middle, 1]) & (points[middle, 1] <= high)
    # 95 % of the trap-years; those of one year go together, so the share of 30 trap-years varies by some per cent.
    assert 0.88 < inside.mean() <= 1.0


def test_band_of_trap_years_is_that_of_shifts_and_beta_binomial_catches(result: StudyResult) -> None:
    # Without the error of the fit: every draw of the parameters is the estimate.
    fit = replace(result.species[0].fit, sampling=Sampling((), np.zeros((0, 0)), None))
    curve = cumulative_curve(fit)
    assert np.abs(curve.high - curve.low).max() < 1e-9
    assert curve.observed == ()
    at = int(np.argmin(np.abs(curve.heat - fit.requirement())))
    # Brute force with scipy at the estimates: a shift, then a beta-binomial catch of a total of the fit.
    rng = np.random.default_rng(5)
    flown = stats.norm.cdf(
        curve.heat[at] - fit.shift_sd * rng.normal(size=40_000), fit.requirement(), fit.spread()
    )
    total, weight = rng.choice(fit.data["total"], 40_000), fit.parameters["concentration"]
    flown = np.clip(flown, 1e-9, 1 - 1e-9)
    caught = stats.betabinom.rvs(total, weight * flown, weight * (1 - flown), random_state=rng) / total
    low, high = 100 * np.quantile(caught, [0.025, 0.975])
    assert curve.trap_low[at] == pytest.approx(low, abs=2.0)
    assert curve.trap_high[at] == pytest.approx(high, abs=2.0)


def test_catches_are_bars_of_moths_per_night(result: StudyResult) -> None:
    species = result.species[0]
    checks = species.checks.residuals
    shown = most_moths(checks)
    totals = checks.groupby(["trap", "season"])["count"].sum()
    assert sorted(totals[pair] for pair in shown) == sorted(totals.nlargest(12))
    (axes,) = plot_catches(checks, season=species.fit.settings.season, trap_years=shown[:1])
    part = checks[(checks["trap"] == shown[0][0]) & (checks["season"].astype(str) == shown[0][1])]
    areas = [bar.get_width() * bar.get_height() for bar in axes.containers[0]]
    assert sum(areas) == pytest.approx(float(part["count"].sum()))
    with pytest.raises(phenofit.ModelError, match="no counted checks of trap 'nowhere'"):
        plot_catches(checks, season=species.fit.settings.season, trap_years=[("nowhere", "2020")])
    with pytest.raises(phenofit.ModelError, match="13 trap-years cannot be drawn; give 1 to 12"):
        plot_catches(checks, season=species.fit.settings.season, trap_years=[shown[0]] * 13)
