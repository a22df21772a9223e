"""Generated seasons: their mean and spread by the predictive distribution, and the coverage of dates made from them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from phenofit.forecasting import generated_seasons as module
from phenofit.forecasting.date_draws import event_dates
from phenofit.forecasting.event_heat import HeatDraws
from phenofit.forecasting.generated_seasons import ENOUGH, FEWEST, generated_seasons
from phenofit.forecasting.weather_years import station_series
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from phenofit.simulate import simulate_weather

SEASON = Season.parse("01-01", "10-31")


def _past(seasons: int, days: int = 120, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    middle = 15.0 + rng.normal(0.0, 1.0, (seasons, 1)) + rng.normal(0.0, 3.0, (seasons, days))
    half = rng.uniform(3.0, 8.0, (seasons, days))
    return middle - half, middle + half


@pytest.mark.parametrize("seasons", [1, FEWEST - 1, ENOUGH])
def test_too_few_and_enough_seasons_are_taken_as_they_are(seasons: int) -> None:
    low, high = _past(seasons)
    made = generated_seasons(low, high, seed=2020)
    np.testing.assert_array_equal(made, (low, high))


@pytest.mark.parametrize("seasons", [FEWEST, ENOUGH - 1])
def test_between_these_they_are_generated(seasons: int) -> None:
    low, high = generated_seasons(*_past(seasons), seed=2020)
    assert low.shape == high.shape == (300, 120)
    assert (low < high).all()
    again = generated_seasons(*_past(seasons), seed=2020)
    np.testing.assert_array_equal(again, (low, high))


def test_season_means_have_the_predictive_distribution() -> None:
    """Mean over a season of a further one: Student's t about the sample mean, scale s sqrt(1 + 1/M)."""
    past = 12
    low, high = _past(past, days=400)
    means = 0.5 * (low + high).mean(axis=1)
    found = np.concatenate(
        [0.5 * np.add(*generated_seasons(low, high, seed=seed)).mean(axis=1) for seed in range(40)]
    )
    degrees = past - 1
    expected = means.std(ddof=1) * np.sqrt((1.0 + 1.0 / past) * degrees / (degrees - 2.0))
    assert found.mean() == pytest.approx(means.mean(), abs=0.05)
    assert found.std() == pytest.approx(expected, rel=0.05)


def test_days_vary_as_much_as_those_of_past_seasons() -> None:
    low, high = _past(10, days=400)
    made = 0.5 * np.add(*generated_seasons(low, high, seed=1))
    past = 0.5 * (low + high)
    from_day_to_day = np.diff(made, axis=1).std() / np.diff(past, axis=1).std()
    assert from_day_to_day == pytest.approx(1.0, abs=0.08)


def test_a_day_missing_after_some_seasons_is_no_missing_day() -> None:
    low, high = _past(5)
    low[2, -1] = high[2, -1] = np.nan
    made = generated_seasons(low, high, seed=1)
    assert np.isfinite(made).all()


@pytest.mark.slow
@pytest.mark.parametrize("issued", ["04-15", "06-01"])
@pytest.mark.parametrize("past", [5, 8, 15])
def test_dates_from_few_seasons_are_covered(issued: str, past: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Only the weather is unknown. 150 simulated places each; as they were, 5 seasons held 68 % and 15 held 86 %."""
    held: list[bool] = []
    raw: list[bool] = []
    for place in range(150):
        station = pd.DataFrame(
            {"station": ["A"], "latitude": [42.0], "longitude": [-97.0], "elevation_m": [500.0]}
        )
        year = 2000 + past
        weather = simulate_weather(station, first="2000-01-01", last=f"{year}-12-31", seed=300 + place)
        series = station_series(weather)["A"]
        heat = HeatDraws(np.full(600, 10.0), np.full((600, 1), 400.0), ("flight_50",))
        true = HeatDraws(heat.base[:1], heat.amount[:1], heat.events)

        def date(draws: HeatDraws, low: np.ndarray, high: np.ndarray, year: int = year) -> tuple[object, ...]:
            found = event_dates(draws, low, high, start=SEASON.first_day(year), heat=HeatSettings())
            assert found is not None
            return (*found["flight_50"].interval(0.95), found["flight_50"].quantile(0.5))

        when = date(true, *series.season_rows(SEASON, year))[2]
        for enough, hits in ((ENOUGH, held), (0, raw)):
            monkeypatch.setattr(module, "ENOUGH", enough)
            ahead = series.continued(
                SEASON, year, before=np.datetime64(f"{year}-{issued}"), years=range(2000, year)
            )
            low, high, _ = date(heat, ahead.tmin, ahead.tmax)
            hits.append(bool(low <= when <= high))  # type: ignore[operator]
    # The error of a share of 95 % in 150 places is 2 %; computed: 89 to 93 %. With the errors of a fit in it, a forecast
    # holds 93 to 97 % (reports/forecast_coverage.md).
    assert 0.85 <= np.mean(held) <= 0.99
    assert np.mean(raw) < np.mean(held) - (0.02 if past < 15 else 0.0)
