"""The numbers of the calibration figure and of the sentence on drift, against forecasts whose truth is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from phenofit.plots.calibration_data import calibration
from phenofit.report.sentences import drift_sentences

YEARS = tuple(range(2010, 2020))


def forecasts(*, spread: float = 1.0, slope: float = 0.0, flights: int = 1) -> pd.DataFrame:
    """Forecasts that believe in an SD of 1 day; the truth has `spread`, late by `slope` days a year."""
    rng = np.random.default_rng(4)
    rows = []
    for flight in range(1, flights + 1):
        for year in YEARS:
            for z in spread * rng.normal(size=80):
                place = float(stats.norm.cdf(z))
                inside = {f"covered{p}": abs(place - 0.5) <= p / 200 for p in (50, 80, 95)}
                facts = {"scheme": "year", "species": "s", "event": "flight_50", "forecaster": "fitted"}
                error = slope * (year - YEARS[0]) - z
                rows.append(
                    {
                        **facts, "flight": flight, "year": year, "lead_days": np.nan, "pit_from": place,
                        "pit_to": place, "error_days": error, **inside,
                    }
                )  # fmt: skip
    return pd.DataFrame(rows)


def test_honest_forecasts_are_flat_and_keep_their_promise() -> None:
    (part,) = calibration(forecasts())
    assert part.forecasts == 800
    assert part.share.sum() == pytest.approx(1.0)
    assert np.abs(part.share - 0.1).max() < 0.04  # four standard errors of a tenth among 800
    assert part.nominal.tolist() == [0.5, 0.8, 0.95]
    assert ((part.low <= part.nominal) & (part.nominal <= part.high)).all()


def test_too_narrow_forecasts_have_high_ends_and_too_few_inside() -> None:
    (part,) = calibration(forecasts(spread=2.0))
    # The share of a normal truth twice as wide as believed (scipy): inside 50, 80 and 95 % of the belief.
    expected = 2 * stats.norm.cdf(stats.norm.ppf([0.75, 0.9, 0.975]) / 2.0) - 1
    assert part.inside == pytest.approx(expected, abs=0.07)
    assert part.share[0] + part.share[-1] > 0.4


def test_each_flight_has_its_own_and_rows_of_others_do_not_count() -> None:
    table = forecasts(flights=2)
    other = table.assign(forecaster="calendar mean", pit_from=0.99, pit_to=1.0)
    ahead = table.assign(lead_days=14.0, pit_from=0.0, pit_to=0.01)
    alone = calibration(table)
    mixed = calibration(pd.concat([table, other, ahead], ignore_index=True))
    assert [part.flight for part in mixed] == [1, 2]
    for one, two in zip(alone, mixed, strict=True):
        assert one.share.tolist() == two.share.tolist()
    assert calibration(table[:0]) == ()


def test_a_drift_is_told_with_its_interval() -> None:
    (moving,) = drift_sentences(forecasts(slope=0.5))
    assert moving.startswith("Over 10 seasons, forecasts have become later")
    assert "95 % interval +4." in moving  # 0.5 days a year is 5 a decade
    (still,) = drift_sentences(forecasts())
    assert "no drift" in still
    assert "interval −" in still
    assert len(drift_sentences(forecasts(flights=2))) == 2
    assert drift_sentences(forecasts()[:160]) == []  # two years
