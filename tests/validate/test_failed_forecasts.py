"""A forecast that is no date of the season, or an interval that could not be wrong, counts as failed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from phenofit.errors import FitError
from phenofit.flight.kernels.curves import curve_quantile
from phenofit.forecasting.distribution import DateDistribution
from phenofit.heat.compiled.crossing import crossing_after, crossing_days
from phenofit.report.page_tables import errors_table
from phenofit.report.sentences import error_sentences
from phenofit.validate import forecasters as forecaster_room
from phenofit.validate import score_forecasts
from phenofit.validate.rows import Answers, scored_rows
from tests.calls import cross_validate
from tests.validate.networks import HEAT, SEASON, network

START = np.datetime64("2020-01-01")
# 1 January to 31 October: 305 days in a leap year.
WINDOW = (START, np.datetime64("2020-11-01"))
LENGTH = 305.0
EVENT = {name: np.datetime64(f"2020-06-{day:02d}", "ns") for name, day in
         (("observed_from", 1), ("observed_to", 8), ("observed", 4))}  # fmt: skip
SEEN = 155.0  # days from 1 January to 4 June


def row(days: list[float] | np.ndarray) -> dict[str, Any]:
    dates = DateDistribution(START, np.asarray(days, dtype=float))
    wanted = pd.DataFrame([{"trap_year": 0, "flight": 1, "event": "flight_50", **EVENT}])
    table = scored_rows(Answers([0], [np.nan], [dates], [WINDOW]), wanted)
    return {str(name): table[name].iloc[0] for name in table}


def spread(low: float, high: float) -> np.ndarray:
    """Return 1000 draws, evenly between two days."""
    return np.linspace(low, high, 1000)


def test_a_usable_forecast_has_no_failure() -> None:
    found = row(spread(140, 170))
    assert found["failure"] == ""
    assert (found["covered50"], found["covered95"]) == (True, True)
    assert found["error_days"] == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize(
    ("days", "reason"),
    [
        ([np.inf], "the heat sum is not reached in the season"),
        ([-np.inf], "the date is before the heat sum begins"),
        ([-1.0], "the date is outside the season"),
        ([LENGTH + 0.01], "the date is outside the season"),
        (
            np.append(spread(100, 200)[:499], np.full(501, np.inf)),
            "the heat sum is not reached in the season",
        ),
        (np.append(spread(100, 200)[:499], np.full(501, -np.inf)), "the date is before the heat sum begins"),
    ],
)
def test_a_median_outside_the_season_is_a_failure(days: Any, reason: str) -> None:
    found = row(days)
    assert found["failure"] == reason
    assert np.isnan(found["error_days"])
    assert not found["inside_interval"]
    assert found["covered95"] is pd.NA if len(days) == 1 else not found["covered95"]
    # The score in days is that of the nearest end of the season, never infinite.
    assert 0.0 < found["crps_days"] <= LENGTH


def test_the_first_and_the_last_moment_of_the_season_are_dates() -> None:
    assert row([0.0])["failure"] == ""
    assert row([LENGTH])["failure"] == ""
    assert row([0.0])["error_days"] == pytest.approx(-SEEN)


def test_an_interval_that_spans_the_season_covers_nothing() -> None:
    # Of even draws from -8.5 to 313.5 the middle 95 % spans the season's 305 days; of draws 2 days narrower either way
    # it does not.
    reach = 0.95
    for half, spans in ((0.5 * LENGTH / reach + 0.5, True), (0.5 * LENGTH / reach - 1.5, False)):
        found = row(spread(0.5 * LENGTH - half, 0.5 * LENGTH + half))
        assert bool(found["covered95"]) is not spans
        assert found["failure"] == ("the 95 % interval spans the season" if spans else "")
        # The median is a date, so it has an error; the narrower intervals can be wrong, so they are judged.
        assert np.isfinite(found["error_days"])
        assert found["covered50"]


@pytest.mark.parametrize(("sign", "word"), [(1.0, "upper"), (-1.0, "lower")])
def test_an_interval_without_an_end_covers_nothing(sign: float, word: str) -> None:
    def some(open_draws: int) -> dict[str, Any]:
        return row(np.append(spread(140, 170)[: 1000 - open_draws], np.full(open_draws, sign * np.inf)))

    found = some(30)
    assert found["failure"] == f"the 95 % interval has no {word} end in the season"
    assert not found["covered95"]
    assert found["covered80"]
    assert some(20)["failure"] == ""
    assert some(20)["covered95"]


def test_a_negative_heat_sum_is_no_first_day() -> None:
    warm = np.full((1, 9), 20.0)
    none = np.array([np.inf])
    amount = np.array([[-1e-9, 0.0, 25.0, 1e9]])
    found = crossing_days(
        warm, warm, np.zeros(1, dtype=int), np.array([10.0]), amount, none, 3, 0, np.zeros(1)
    )
    assert found.tolist() == [[-np.inf, 0.0, 2.5, np.inf]]
    # A missing day leaves unknown what was not known before it, and nothing else.
    gap = warm.copy()
    gap[0, 1] = np.nan
    found = crossing_days(gap, gap, np.zeros(1, dtype=int), np.array([10.0]), amount, none, 3, 0, np.zeros(1))
    assert np.isnan(found[0, 2:]).all()
    assert found[0, 0] == -np.inf
    for start in (np.inf, -np.inf):
        after = crossing_after(
            warm,
            warm,
            np.zeros(1, dtype=int),
            np.array([10.0]),
            np.array([start]),
            np.array([5.0]),
            99.0,
            3,
            0,
        )
        assert after.tolist() == [start]


@pytest.mark.parametrize(
    "curve", ["normal", "logistic", "log-normal", "log-logistic", "Weibull", "gamma", "Gumbel"]
)
def test_a_negative_median_stays_negative_under_every_curve(curve: str) -> None:
    found = curve_quantile(curve, np.array([0.05, 0.5]), -20.0, 400.0, 60.0)
    assert (found < 0.0).all()


def test_chances_know_the_two_ends() -> None:
    dates = DateDistribution(START, np.array([-np.inf, 10.0, np.inf, np.inf]))
    assert dates.chance_not_this_season == 0.5
    assert dates.chance_by(START) == 0.25
    assert np.isnat(dates.quantile(0.1))
    assert np.isnat(dates.quantile(0.9))


def scored(failures: list[str]) -> pd.DataFrame:
    """Return the scores of forecasts with an error of 2 days where nothing failed."""
    rows = [
        {
            "scheme": "year", "fold": str(year), "forecaster": "fitted", "species": "s", "flight": 1,
            "event": "flight_50", "trap": f"T{k}", "site": f"T{k}", "season": str(year), "year": year,
            "lead_days": np.nan, "error_days": np.nan if failure else 2.0, "inside_interval": not failure,
            "covered50": not failure, "covered80": not failure, "covered95": not failure, "crps_days": 1.0,
            "log_score": -1.0, "failure": failure,
        }
        for year in (2001, 2002)
        for k, failure in enumerate(failures)
    ]  # fmt: skip
    return score_forecasts(pd.DataFrame(rows))


def test_scores_count_failures_and_their_missing_coverage() -> None:
    found = scored(["", "", "", "the date is outside the season"]).iloc[0]
    assert (found["forecasts"], found["failed"]) == (6, 2)
    assert found["mae_days"] == 2.0
    assert found["coverage95"] == 0.75
    assert found["inside_share"] == 0.75


def test_the_page_shows_failures() -> None:
    class Result:
        scores = scored(["", "the date is outside the season"])

    table = errors_table(Result.scores, event="flight_50", scheme="year")
    assert table.rows[0][1] == "2 in 2 seasons; 2 failed"
    assert "A forecast failed if" in table.caption
    assert "; 2 failed)" in error_sentences(Result)[0]  # type: ignore[arg-type]
    Result.scores = scored(["the date is outside the season"])
    assert error_sentences(Result)[0].endswith("all 2 forecasts of half of the flight failed.")  # type: ignore[arg-type]
    none = errors_table(scored([""]), event="flight_50", scheme="year")
    assert "failed" not in none.caption + none.rows[0][1]


def test_a_fold_without_a_fit_counts_against_the_forecaster(monkeypatch: pytest.MonkeyPatch) -> None:
    n = network(sites=4, years=4)
    real = forecaster_room.Fitted.__init__

    def refuse(self: Any, train: Any, setting: Any, **options: Any) -> None:
        if 2014 not in set(train.years):
            raise FitError("the flights are not in order of time")
        real(self, train, setting, **options)

    monkeypatch.setattr(forecaster_room.Fitted, "__init__", refuse)
    table = cross_validate(
        n.trap_years(),
        n.weather,
        n.links,
        season=SEASON,
        heat=HEAT,
        events=("flight_50",),
        lead_days=(7,),
        draws=50,
    )
    fitted = table[table["forecaster"] == "fitted"]
    failed = fitted[fitted["fold"] == "2014"]
    # One row for each trap-year and lead time of the fold, as the calendar has them, and none of them silent.
    calendar = table[(table["forecaster"] == "calendar mean") & (table["fold"] == "2014")]
    assert len(failed) == 2 * calendar["lead_days"].isna().sum() > 0
    assert set(failed["failure"]) == {"no fit: the flights are not in order of time"}
    assert failed["predicted"].isna().all()
    assert not failed["covered95"].any()
    assert set(fitted[fitted["fold"] != "2014"]["failure"]) == {""}
    scores = score_forecasts(table).set_index(["forecaster", "lead_days"])
    assert scores.loc[("fitted", 7.0), "failed"] == len(failed) / 2
