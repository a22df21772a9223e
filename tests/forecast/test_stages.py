"""Stage windows and the share of a stage that treatment intervals cover: constant weather by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from phenofit.errors import DataError, ModelError
from phenofit.flight import FlightFit
from phenofit.flight.sampling import Sampling
from phenofit.forecasting.cautions import CAUTIONS
from phenofit.forecasting.forecast_places import Place
from phenofit.forecasting.stage_windows import (
    StageLag,
    lags_of,
    read_stage_lags,
    schedule_cover,
    stage_path,
    stage_table,
    stage_windows,
)
from phenofit.forecasting.weather_years import SeasonEnsemble
from tests.forecast.fits import small_fit

START = np.datetime64("2024-01-01")


def certain_fit() -> FlightFit:
    """Return a fit without any error: base 10, requirement 500, spread 60, no shifts."""
    fit = small_fit()
    parameters = {
        "base": 10.0,
        "requirement_1": 500.0,
        "spread_1": 60.0,
        "concentration": 30.0,
        "stray_share": 0.001,
    }
    return replace(
        fit,
        parameters=parameters,
        covariance=fit.covariance.iloc[:0, :0],
        sampling=Sampling((), np.zeros((0, 0)), None),
    )


def steady(days: int = 200) -> Place:
    """Return a place where every day gives 10 degC d above 10 degC."""
    warm = np.full((1, days), 20.0)
    return Place("here", "S", START, SeasonEnsemble(warm, warm, (2023,)), START, None)


def lag(value: float, unit: str = "d", *, after: str = "flight_50", base: float | None = None) -> StageLag:
    return StageLag("hatch", after, value, 0.0, unit, base, "invented")


def test_a_lag_in_days_is_added() -> None:
    (window,) = stage_windows(certain_fit(), steady(), [lag(14.0)], draws=50)
    assert window.dates.days == pytest.approx(50.0 + 14.0)


def test_a_lag_in_degree_days_runs_through_the_weather() -> None:
    # 60 degC d above the flight's base 10 are 6 days of 10; above a base of 14 they are 10 days of 6.
    same, other = stage_windows(
        certain_fit(), steady(), [lag(60.0, "degC d"), lag(60.0, "degC d", base=14.0)], draws=50
    )
    assert same.dates.days == pytest.approx(56.0)
    assert other.dates.days == pytest.approx(60.0)


def test_a_spread_widens_the_window() -> None:
    (window,) = stage_windows(certain_fit(), steady(), [replace(lag(14.0), spread=2.0)], draws=4000)
    assert window.dates.days.std() == pytest.approx(2.0, rel=0.05)


def test_a_stage_follows_a_stage_draw_by_draw() -> None:
    # Eggs 3 days after the flight, hatch 60 degC d (6 days of 10) after the eggs: the lags and their variances add.
    eggs = StageLag("eggs", "flight_50", 3.0, 0.5, "d", None, "invented")
    hatch = StageLag("hatch", "eggs", 60.0, 12.0, "degC d", None, "invented")
    first, second = stage_windows(certain_fit(), steady(), [eggs, hatch], draws=4000)
    assert first.dates.days.mean() == pytest.approx(53.0, abs=0.05)
    assert second.dates.days.mean() == pytest.approx(59.0, abs=0.1)
    assert second.dates.days.std() == pytest.approx((0.5**2 + 1.2**2) ** 0.5, rel=0.05)
    assert "after eggs" in hatch.words
    assert stage_path((eggs, hatch), "hatch") == (eggs, hatch)
    # A schedule over the hatch lies 9 days after the flight.
    certain = [replace(one, spread=0.0) for one in (eggs, hatch)]
    half = (np.datetime64("2024-02-29"), np.datetime64("2024-06-01"))  # day 59 is 29 February 2024
    assert schedule_cover(certain_fit(), steady(), certain, [half], draws=40)[0] == pytest.approx(
        0.5, abs=0.02
    )


def test_a_stage_after_a_later_or_a_double_stage_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "lags.csv"
    rows = "hatch,eggs,5,1,d\neggs,10 %,3,1,d\neggs,peak,4,1,d\nlarvae,eggs,20,4,d\n"
    path.write_text(f"stage,after,lag,spread,unit\n{rows}", encoding="utf-8")
    with pytest.raises(DataError) as caught:
        read_stage_lags(path)
    assert [(p.row, p.column) for p in caught.value.problems] == [(2, "after"), (4, "stage")]
    assert "no flight event and no stage of an earlier row" in str(caught.value)
    path.write_text("stage,after,lag,spread,unit\neggs,10 %,3,1,d\nlarvae,eggs,20,4,d\n", encoding="utf-8")
    assert [lag.after for lag in read_stage_lags(path)] == ["flight_10", "eggs"]


def test_lags_of_one_species_leave_those_of_another_out(tmp_path: Path) -> None:
    path = tmp_path / "lags.csv"
    rows = "eggs,flight_5,3,1,d,stem borer\neggs,flight_5,5,1,d,leaf feeder\nlarvae,eggs,9,1,d,\n"
    path.write_text(f"stage,after,lag,spread,unit,species\n{rows}", encoding="utf-8")
    lags = read_stage_lags(path)
    assert [(one.stage, one.lag) for one in lags_of(lags, "Leaf feeder")] == [("eggs", 5.0), ("larvae", 9.0)]
    path.write_text(path.read_text("utf-8") + "eggs,flight_5,6,1,d,\n", encoding="utf-8")
    with pytest.raises(DataError, match="'eggs' is in an earlier row too"):
        read_stage_lags(path)


def test_the_share_covered_is_the_area_of_the_flight() -> None:
    # Moths fly as normal(50 d, 6 d); with a lag of 10 d an interval from day 60 on, far beyond, holds half of them.
    fit, place = certain_fit(), steady()
    half = (np.datetime64("2024-03-01"), np.datetime64("2024-06-01"))  # day 60 is 1 March 2024
    mean, low, high = schedule_cover(fit, place, [lag(10.0)], [half], draws=40)
    assert mean == pytest.approx(0.5, abs=0.02)
    assert low == pytest.approx(high)
    # One standard deviation (6 days) to either side holds 68.3 %: days 54 to 65, the last day included.
    inner = (np.datetime64("2024-02-24"), np.datetime64("2024-03-06"))
    assert schedule_cover(fit, place, [lag(10.0)], [inner], draws=40)[0] == pytest.approx(0.683, abs=0.03)
    everything = (np.datetime64("2024-01-01"), np.datetime64("2024-07-01"))
    assert schedule_cover(fit, place, [lag(10.0)], [everything, inner], draws=40)[0] == 1.0
    assert schedule_cover(fit, place, [lag(10.0)], [], draws=40)[0] == 0.0


def test_an_interval_backwards_is_refused() -> None:
    with pytest.raises(ModelError, match=r"ends .* before it begins"):
        schedule_cover(
            certain_fit(), steady(), [lag(1.0)], [(np.datetime64("2024-03-02"), np.datetime64("2024-03-01"))]
        )


def test_every_table_carries_units_source_and_cautions() -> None:
    windows = stage_windows(certain_fit(), steady(), [lag(60.0, "degC d", base=14.0)], draws=20)
    table = stage_table(windows, species="s", terms="single sine, base 10 °C, from 01-01")
    assert table["lag"].iloc[0] == "60 ± 0 °C-days above 14.0 °C after half of the flight (invented)"
    for caution in CAUTIONS:
        assert caution in table["caution"].iloc[0]


def test_the_table_of_lags_is_read_and_its_faults_named(tmp_path: Path) -> None:
    path = tmp_path / "lags.csv"
    path.write_text(
        "stage,after,lag,spread,unit,base,source\negg hatch,flight_5,180,18,degF d,50 degF,invented\n",
        encoding="utf-8",
    )
    (found,) = read_stage_lags(path)
    assert (found.lag, found.spread, found.unit, found.base) == (100.0, 10.0, "degC d", 10.0)
    path.write_text(
        "stage,after,lag,spread,unit,base\n,flight_5,3,1,d,\nb,flight_600,3,1,d,\nc,peak,-3,x,weeks,50F\n",
        encoding="utf-8",
    )
    with pytest.raises(DataError) as caught:
        read_stage_lags(path)
    assert {(p.row, p.column) for p in caught.value.problems} == {
        (2, "stage"),
        (3, "after"),
        (4, "lag"),
        (4, "spread"),
        (4, "unit"),
    }
