"""What figures show in words: other data, other sentence; every number from the data of the test."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from phenofit.analysis.results import StudyResult
from phenofit.plots.calibration_data import Calibration
from phenofit.plots.cumulative_curves import CumulativeCurve
from phenofit.plots.flight_curves import CatchCurve, SeasonHeat
from phenofit.plots.residual_data import ResidualView
from phenofit.plots.score_groups import ScoreGroup, ScoreRow
from phenofit.records.weeks import RecordWeeks
from phenofit.report import alternative_text as text
from phenofit.seasons import Season


def forecasts(errors: list[float], flight: int = 1, forecaster: str = "fitted") -> pd.DataFrame:
    season = [f"{2015 + i}" for i in range(len(errors))]
    return pd.DataFrame({"flight": flight, "error_days": errors, "season": season, "forecaster": forecaster})


def test_dates_count_the_week_and_name_the_bias() -> None:
    near = text.of_dates(forecasts([1.0, -2.0, 7.0, 8.0]))
    assert "3 of 4 trap-years (75 %) within a week" in near
    assert "on average 3.5 days late" in near
    far = text.of_dates(forecasts([-9.0, -11.0]))
    assert "0 of 2 trap-years (0 %) within a week" in far
    assert "on average 10.0 days early" in far
    assert "with no bias" in text.of_dates(forecasts([2.0, -2.0]))
    both = text.of_dates(pd.concat([forecasts([1.0]), forecasts([9.0], flight=2)]))
    assert "flight 1: 1 of 1" in both
    assert "flight 2: 0 of 1" in both


def test_errors_give_medians_by_flight_and_the_worst_season() -> None:
    rows = pd.concat([forecasts([1.0, 2.0, -6.0]), forecasts([4.0, 5.0, 9.0], forecaster="calendar mean")])
    said = text.of_errors(rows)
    assert "fitted here 1.0, mean calendar date 5.0" in said
    assert "farthest off in 2017: 6.0 days early" in said
    late = text.of_errors(pd.concat([rows, forecasts([8.0], flight=2)]))
    assert "farthest off in 2015, flight 2: 8.0 days late" in late
    assert "flight 1: fitted here 1.0" in late


@pytest.mark.parametrize(("off", "words"), [(0.0, "as many as"), (-0.1, "fewer than"), (0.04, "more than")])
def test_calibration_says_on_which_side_the_coverage_lies(off: float, words: str) -> None:
    nominal = np.array([0.5, 0.8, 0.95])
    part = Calibration(
        1, np.linspace(0, 1, 11), np.full(10, 0.1), nominal, nominal + off, nominal, nominal, 100
    )
    said = text.of_calibration([part])
    assert words in said
    assert f"{50 + 100 * off:.0f} % inside the 50 % interval" in said


def test_flight_names_the_class_farthest_from_the_curve() -> None:
    edges = np.array([100.0, 200.0, 300.0])
    curve = CatchCurve(
        edges, np.array([30.0, 20.0]), np.array([0.0, 400.0]), np.array([25.0, 25.0]), (220.0,), 7
    )
    assert "near 150 °C-days: 30.0 % of the season's catch, more than the fitted 25.0 %" in text.of_flight(
        curve
    )
    other = replace(curve, caught=np.array([26.0, 5.0]))
    assert "near 250 °C-days: 5.0 % of the season's catch, less than" in text.of_flight(other)


def test_cumulative_counts_the_points_outside_the_band() -> None:
    heat = np.linspace(0.0, 100.0, 101)
    inside = np.array([[20.0, 20.0], [80.0, 80.0]])
    curve = CumulativeCurve(heat, heat, heat - 1, heat + 1, heat - 10, heat + 10, (inside,))
    said = text.of_cumulative(curve)
    assert "reaches 10, 50 and 90 % at 10, 50 and 90 °C-days" in said
    assert " 0 % of the observed points" in said
    half = replace(curve, observed=(np.array([[20.0, 20.0], [50.0, 70.0]]),))
    assert " 50 % of the observed points" in text.of_cumulative(half)


def test_catches_name_the_trap_year_farthest_from_what_is_expected() -> None:
    checks = pd.DataFrame(
        {
            "trap": ["a", "a", "b", "b"],
            "season": "2020",
            "count": [10, 10, 0, 20],
            "expected": [10.0, 10.0, 10.0, 10.0],
        }
    )
    said = text.of_catches(checks, [("a", "2020"), ("b", "2020")])
    # Half of the catch of trap b would have to move, none of that of a.
    assert "trap b in 2020: 50 %" in said
    assert "on average it is 25 %" in said
    assert "40 moths" in said


def test_residuals_count_classes_and_points_outside() -> None:
    zero, one = np.zeros(4), np.ones(4)
    view = ResidualView(
        heat=zero, residual=zero, class_heat=np.array([100.0, 200.0]), class_mean=np.array([0.1, -0.6]),
        class_low=np.array([-0.1, -0.8]), class_high=np.array([0.3, -0.4]), expected=zero,
        ordered=np.array([-2.0, 0.0, 0.0, 0.0]), low=-one, high=one, requirements=(150.0,),
    )  # fmt: skip
    said = text.of_residuals(view)
    assert "the intervals of 1 of 2 class means do not hold 0" in said
    assert "is −0.60, near 200 °C-days" in said
    assert "25 % lie outside" in said


def test_heat_gives_the_dates_of_half_and_this_season() -> None:
    days = np.arange(100.0)
    heat = SeasonHeat(
        "S1", days, {"2019": 5 * days, "2020": 10 * days}, ("2021", np.where(days < 40, 10 * days, np.nan)),
        ((100.0, 200.0, 300.0),),
    )  # fmt: skip
    said = text.of_heat(heat, Season.parse("01-01", "10-31"))
    # 200 is reached on day 40 or 20 after 1 January; the median of day 39 is 292.5.
    assert "between 21 Jan and 10 Feb" in said
    assert "On 9 Feb, 2021 has 390 °C-days, 98 above the median" in said
    assert "in none of them" in text.of_heat(
        replace(heat, bands=((1e4, 2e4, 3e4),)), Season.parse("01-01", "10-31")
    )


def test_records_and_scores_are_counted() -> None:
    moths = np.array([[[0.0, 3.0, np.nan], [1.0, np.nan, 0.0]]])
    gap = np.isnan(moths)
    weeks = RecordWeeks(
        ("a", "b"), ("x", "y"), ("2020",), (np.datetime64("2020-05-01"),), moths, gap, ~gap & (moths > 2)
    )
    said = text.of_records(weeks)
    assert "4 weeks of a trap were watched, 2 of them with moths; 2 have a gap, and 1 have a check" in said
    row = ScoreRow("fitted here", "fitted", 2.84, 2.0, 3.0)
    assert "moth: fitted here 2.8 days" in text.of_scores([ScoreGroup("moth", (row,))])


def test_base_gives_the_interval_and_the_way_the_region_leans(result: StudyResult) -> None:
    species = result.species[0]
    said = text.of_base(species.fit, species.checks.regions)
    assert f"base: {species.fit.base:.1f} °C" in said
    assert "a low base goes with a high requirement" in said
    region = species.checks.regions[1]
    mirrored = replace(region, outline=region.outline * np.array([1.0, -1.0]))
    assert "a low base goes with a low requirement" in text.of_base(species.fit, {1: mirrored})
