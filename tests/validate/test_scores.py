"""Scores against independent references: quadrature, scipy, the resampling literature, and hand-made tables."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats

from phenofit.errors import ModelError
from phenofit.validate import (
    crps_draws,
    crps_normal,
    interval_log_score,
    paired_difference,
    score_forecasts,
    skill,
)


def crps_by_quadrature(cdf, observed: float, low: float, high: float) -> float:  # type: ignore[no-untyped-def]
    """Integral of (F - step)^2: the definition of the score, by scipy's quadrature."""
    before, _ = integrate.quad(lambda x: cdf(x) ** 2, low, observed, limit=400)
    after, _ = integrate.quad(lambda x: (1 - cdf(x)) ** 2, observed, high, limit=400)
    return float(before + after)


@pytest.mark.parametrize(("mean", "sd", "observed"), [(0.0, 1.0, 0.0), (3.0, 2.5, -1.0), (170.0, 8.0, 181.0)])
def test_crps_of_a_normal_is_the_integral_of_its_definition(mean: float, sd: float, observed: float) -> None:
    law = stats.norm(mean, sd)
    expected = crps_by_quadrature(law.cdf, observed, mean - 12 * sd, mean + 12 * sd)
    assert crps_normal(mean, sd, observed) == pytest.approx(expected, abs=1e-7)


def test_crps_of_draws_is_the_integral_of_their_step_function() -> None:
    draws = np.array([1.0, 2.0, 2.0, 7.0, 11.0])
    for observed in (-1.0, 2.0, 5.5, 12.0):
        grid = np.sort(np.append(draws, observed))
        width, middle = np.diff(grid), 0.5 * (grid[1:] + grid[:-1])
        share = np.array([(draws <= m).mean() for m in middle])
        expected = float(np.sum(width * (share - (middle >= observed)) ** 2))
        assert crps_draws(draws, observed) == pytest.approx(expected, abs=1e-12)


def test_crps_of_many_draws_approaches_the_normal_one() -> None:
    draws = stats.norm(10, 3).ppf((np.arange(4000) + 0.5) / 4000)
    assert crps_draws(draws, 14.0) == pytest.approx(crps_normal(10, 3, 14.0), abs=1e-3)


def test_crps_of_a_point_is_the_absolute_error() -> None:
    assert crps_draws([4.0], 6.5) == 2.5
    assert crps_normal(4.0, 0.0, 6.5) == 2.5


def test_log_score_is_the_log_of_the_share_of_draws() -> None:
    draws = np.append(np.arange(99.0), np.inf)
    assert interval_log_score(draws, 9.5, 19.5) == pytest.approx(np.log(10.5 / 101))
    assert np.isfinite(interval_log_score(draws, 500.0, 600.0))
    # A check interval holds its end and not its start.
    assert interval_log_score([1.0, 1.0, 2.0], 1.0, 2.0) == pytest.approx(np.log(1.5 / 4))


def table(errors: dict[str, dict[int, list[float]]]) -> pd.DataFrame:
    """Return a validation table from errors by forecaster and year, one trap a place in the list."""
    rows = [
        {
            "scheme": "year", "fold": str(year), "forecaster": name, "species": "s", "flight": 1, "event": "flight_50",
            "trap": f"T{k}", "site": f"T{k}", "season": str(year), "year": year, "lead_days": np.nan,
            "error_days": error, "inside_interval": abs(error) <= 3, "covered50": abs(error) <= 2,
            "covered80": abs(error) <= 4, "covered95": abs(error) <= 6, "crps_days": abs(error) / 2, "log_score": -1.0,
        }
        for name, years in errors.items()
        for year, values in years.items()
        for k, error in enumerate(values)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def test_scores_by_hand() -> None:
    scores = score_forecasts(table({"fitted": {2001: [1.0, -3.0], 2002: [5.0, 1.0]}})).iloc[0]
    assert scores["forecasts"] == 4
    assert scores["years"] == 2
    assert scores["bias_days"] == pytest.approx(1.0)
    assert scores["mae_days"] == pytest.approx(2.5)
    assert scores["rmse_days"] == pytest.approx(3.0)
    assert scores["inside_share"] == pytest.approx(0.75)
    assert (scores["coverage50"], scores["coverage80"], scores["coverage95"]) == (0.5, 0.75, 1.0)
    assert scores["crps_days"] == pytest.approx(1.25)
    assert np.isnan(scores["skill"])


def test_skill_pairs_what_both_have_forecast() -> None:
    both = table(
        {"fitted": {2001: [1.0, 1.0], 2002: [1.0]}, "calendar mean": {2001: [2.0, 2.0], 2002: [4.0, 50.0]}}
    )
    fitted, calendar = (both[both["forecaster"] == n] for n in ("fitted", "calendar mean"))
    found = skill(fitted, calendar)
    assert found is not None
    assert found[0] == pytest.approx(1 - 3 / 8)  # the trap that only the calendar forecast does not count
    assert score_forecasts(both).set_index("forecaster").loc["fitted", "skill"] == pytest.approx(found[0])


def test_one_year_gives_no_interval() -> None:
    row = score_forecasts(table({"fitted": {2001: [1.0, 2.0]}})).iloc[0]
    assert np.isnan(row["mae_low"])
    assert np.isnan(row["mae_high"])


def test_the_same_seed_gives_the_same_interval() -> None:
    rng = np.random.default_rng(5)
    errors = {"fitted": {y: list(rng.normal(0, 3, 6)) for y in range(2001, 2009)}}
    first, second = score_forecasts(table(errors), seed=4), score_forecasts(table(errors), seed=4)
    pd.testing.assert_frame_equal(first, second)


def test_paired_difference_is_the_mean_gap_of_absolute_errors() -> None:
    both = table({"a": {2001: [3.0, -1.0], 2002: [2.0, 2.0]}, "b": {2001: [1.0, 1.0], 2002: [-1.0, 0.0]}})
    a, b = (both[both["forecaster"] == n] for n in ("a", "b"))
    difference, low, high, pairs = paired_difference(a, b)
    assert difference == pytest.approx(1.25)
    assert pairs == 4
    assert low <= difference <= high


@pytest.mark.parametrize("years", [5, 8, 12])
def test_year_clustered_intervals_hold_the_truth_about_as_often_as_they_say(years: int) -> None:
    # Own simulation: errors share a part within a year (SD 2 d) beside their own (SD 2 d); the true mean absolute
    # difference is known. Resampling single trap-years would hold it in about 60 to 70 % only.
    rng = np.random.default_rng(11)
    held = 0
    runs = 400
    for run in range(runs):
        shift = rng.normal(0, 2, years)
        gap = 1.0 + shift[:, np.newaxis] + rng.normal(0, 2, (years, 8))
        rows = {y: list(gap[y]) for y in range(years)}
        a = table({"a": {y: [50.0 + g for g in v] for y, v in rows.items()}})
        b = table({"b": {y: [50.0] * 8 for y in rows}})
        _, low, high, _ = paired_difference(a, b, bootstrap=400, seed=run)
        held += low <= 1.0 <= high
    assert 0.92 <= held / runs <= 0.98


def test_a_table_without_its_columns_is_refused() -> None:
    with pytest.raises(ModelError, match=r"no column .*error_days"):
        score_forecasts(table({"fitted": {2001: [1.0]}}).drop(columns="error_days"))


def test_intervals_stay_in_the_range_of_what_they_bound() -> None:
    # Errors that differ a lot between few years: plain limits would be -4.4 days, and a skill above 1.
    errors = {2001: [0.1, 0.1], 2002: [6.0, 6.0], 2003: [0.1, 0.2]}
    both = table(
        {"fitted": errors, "calendar mean": {y: [v * 1.5 + 1.0 for v in e] for y, e in errors.items()}}
    )
    rows = score_forecasts(both).set_index("forecaster")
    fitted = rows.loc[["fitted"]].astype({"skill_high": float})
    assert fitted["mae_low"].item() == 0.0
    assert fitted["mae_high"].item() > 6.0
    assert fitted["skill_high"].item() <= 1.0


def test_few_years_are_left_out_one_at_a_time_by_hand() -> None:
    # Year means 1, 2, 3, 6, one trap each: mean 3. Without a year: 11/3, 10/3, 3, 2; SD by jackknife
    # sqrt(3/4 * 14/9) = 1.0801, which is the plain standard error of the mean of four, 2.1602 / 2. Student's t of 3
    # degrees of freedom: 3.1824.
    gaps = {2001: [1.0], 2002: [2.0], 2003: [3.0], 2004: [6.0]}
    a, b = table({"a": {y: [10 + v[0]] for y, v in gaps.items()}}), table({"b": {y: [10.0] for y in gaps}})
    difference, low, high, _ = paired_difference(a, b)
    half = stats.t.ppf(0.975, 3) * np.std([1, 2, 3, 6], ddof=1) / 2
    assert (difference, low, high) == pytest.approx((3.0, 3.0 - half, 3.0 + half))


def test_ten_years_are_resampled_and_nine_left_out_one_at_a_time() -> None:
    def interval(years: int, seed: int) -> tuple[float, float]:
        rows = {2000 + k: [float(k * k % 7)] for k in range(years)}
        a, b = (
            table({"a": {y: [20 + v[0]] for y, v in rows.items()}}),
            table({"b": {y: [20.0] for y in rows}}),
        )
        return paired_difference(a, b, seed=seed)[1:3]

    assert interval(9, 1) == interval(9, 2)  # no draw in it
    assert interval(10, 1) != interval(10, 2)


def test_resampled_intervals_are_widened_for_the_number_of_years() -> None:
    # Percentiles of resampled means at the tail level Phi(-sqrt(n/(n-1)) t) instead of 2.5 % (Hesterberg
    # 2015, Am. Stat. 69:371-386; formula as in the R package resample, ExpandProbs), resampled here on our
    # own. Without the root the width would be 5 % less.
    rng = np.random.default_rng(2)
    values = rng.normal(3.0, 1.0, 10)
    rows = {2000 + k: [20.0 + v] for k, v in enumerate(values)}
    a, b = table({"a": rows}), table({"b": {y: [20.0] for y in rows}})
    _, low, high, _ = paired_difference(a, b, bootstrap=200_000)
    means = rng.choice(values, (200_000, 10)).mean(axis=1)
    tail = stats.norm.cdf(-np.sqrt(10 / 9) * stats.t.ppf(0.975, 9))
    expected = np.quantile(means, [tail, 1 - tail])
    assert (low, high) == pytest.approx(tuple(expected), abs=0.01 * float(np.diff(expected)[0]))


def test_unequal_numbers_of_traps_weigh_a_year_by_its_forecasts() -> None:
    row = score_forecasts(table({"fitted": {2001: [1.0, 1.0, 1.0], 2002: [5.0]}})).iloc[0]
    assert row["mae_days"] == pytest.approx(2.0)


def test_skill_without_anything_in_common_or_any_error_is_none() -> None:
    a = table({"a": {2001: [1.0]}})
    assert skill(a, table({"b": {2002: [1.0]}})) is None
    assert skill(a, table({"b": {2001: [0.0]}})) is None
    found = paired_difference(a, table({"b": {2002: [1.0]}}))
    assert np.isnan(found[:3]).all()
    assert found[3] == 0


def test_groups_are_scored_apart() -> None:
    both = pd.concat(
        [
            table({"fitted": {2001: [1.0], 2002: [3.0]}}),
            table({"fitted": {2001: [5.0], 2002: [7.0]}}).assign(lead_days=14.0),
            table({"fitted": {2001: [9.0], 2002: [11.0]}}).assign(flight=2),
        ],
        ignore_index=True,
    )
    found = score_forecasts(both).fillna({"lead_days": -1.0}).set_index(["flight", "lead_days"])["mae_days"]
    assert found.to_dict() == {(1, 14.0): 6.0, (1, -1.0): 2.0, (2, -1.0): 10.0}


def test_an_unknown_error_is_left_out_of_every_mean() -> None:
    row = score_forecasts(table({"fitted": {2001: [1.0, np.nan], 2002: [3.0]}})).iloc[0]
    assert (row["forecasts"], row["mae_days"], row["bias_days"]) == (2, 2.0, 2.0)
    assert row["rmse_days"] == pytest.approx(np.sqrt(5.0))
