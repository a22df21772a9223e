"""The two errors of a forecast, and the warning where it is no better than the calendar date: by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from phenofit.report.sentences import calendar_sentences, error_sentences, longest_tested, season_sentences


def result(fitted: float, skill: tuple[float, float], ahead: dict[int, float] | None = None) -> Any:
    """Return what the sentences read of a result: scores, distances and seasons."""
    common = {"scheme": "year", "event": "flight_50", "flight": 1, "forecasts": 40, "failed": 0, "years": 5}
    rows = [
        common | {"forecaster": "fitted", "lead_days": np.nan, "mae_days": fitted, "skill": skill[0], "skill_low": skill[1]},
        common | {"forecaster": "calendar mean", "lead_days": np.nan, "mae_days": 5.0, "skill": np.nan, "skill_low": np.nan},
        *(
            common | {"forecaster": "fitted", "lead_days": float(lead), "mae_days": mae, "skill": 0.1, "skill_low": 0.0}
            for lead, mae in (ahead or {}).items()
        ),
    ]  # fmt: skip
    links = pd.DataFrame({"trap": ["A", "B", "unused"], "distance_km": [4.0, 20.0, 500.0]})
    data = pd.DataFrame({"trap": ["A", "B"], "year": [2020, 2021]})
    return SimpleNamespace(
        scores=pd.DataFrame(rows), records=SimpleNamespace(links=links), fit=SimpleNamespace(data=data)
    )


def test_both_errors_are_said() -> None:
    said = error_sentences(result(2.5, (0.5, 0.2), {28: 3.7, 14: 3.0, 0: 2.6}))
    assert said == [
        (
            "Each year forecast from the others, the mean absolute error (MAE) of the date for half of the flight is 2.5 days "
            "with the weather of the season known (40 forecasts in 5 seasons); mean calendar date 5.0. "
            "Forecast 28 days ahead it is 3.7 days."
        )
    ]


def test_without_a_lead_time_only_one_error_is_said() -> None:
    assert "ahead" not in error_sentences(result(2.5, (0.5, 0.2)))[0]
    # A lead time of no days is no forecast ahead.
    assert "ahead" not in error_sentences(result(2.5, (0.5, 0.2), {0: 2.6}))[0]


@pytest.mark.parametrize(
    ("skill", "begins"),
    [
        ((0.5, 0.01), None),
        ((0.5, 0.0), "It is not certain that the fit forecasts better than the mean calendar date (MAE 2.5 against 5.0"),
        ((0.0, -0.3), "The fit forecasts no better than the mean calendar date (MAE 2.5 against 5.0 days, weather known)."),
        ((0.3, np.nan), "It is not certain"),
    ],
)  # fmt: skip
def test_a_fit_no_better_than_the_calendar_says_so(skill: tuple[float, float], begins: str | None) -> None:
    said = calendar_sentences(result(2.5, skill))
    assert len(said) == (begins is not None)
    if begins is not None:
        assert said[0].startswith(begins)
        # The station of a trap without records is not counted.
        assert "(median 12.0 km)" in said[0]
        assert "few seasons (2)" in said[0]


def test_the_longest_tested_lead_time_is_that_of_the_fit() -> None:
    scores = result(2.5, (0.5, 0.2), {28: 3.7, 14: 3.0}).scores
    assert longest_tested(scores) == 28.0
    untested = scores["lead_days"].eq(28.0)
    assert longest_tested(scores.assign(forecasts=scores["forecasts"].mask(untested, 0))) == 14.0
    assert longest_tested(result(2.5, (0.5, 0.2)).scores) is None
    assert longest_tested(pd.DataFrame()) is None


@pytest.mark.parametrize(
    ("ahead", "tested", "said"), [(28.9, 28.0, False), (29.0, 28.0, True), (90.0, None, False)]
)
def test_dates_farther_ahead_than_any_test_are_said(ahead: float, tested: float | None, said: bool) -> None:
    issued = pd.Timestamp("2025-05-19")
    dates = {
        name: issued + pd.Timedelta(days=ahead + move)
        for name, move in (("median", 0), ("low80", -5), ("high80", 5))
    }
    row = {"event": "flight_50", "flight": 1, "season": "2025", "site": "Bank", "issued": issued, **dates}
    (sentence,) = season_sentences(pd.DataFrame([row]), tested=tested)
    assert (
        "Dates more than 28 days ahead are farther than any forecast that was tested." in sentence
    ) is said
