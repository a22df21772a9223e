"""Filling: short gaps whole or not at all, neighbours by regression, errors from hidden days of real series."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.errors import ModelError
from phenofit.seasons import Season
from phenofit.weather import (
    fill_weather,
    filled_share,
    filling_error,
    has_flag,
    hide_days,
    new_dataset,
    notes,
)
from tests.weather.real import champion, england


def one(high: list[float]) -> xr.Dataset:
    days = np.arange(len(high)) + np.datetime64("2024-05-01", "D")
    tmax = np.array([high], dtype=float)
    return new_dataset(pd.DataFrame({"station": ["A"]}), days, tmax - 10, tmax)


nan = float("nan")


def errors_of(weather: xr.Dataset, **settings: Any) -> dict[str, dict[str, Any]]:
    """The table of filling errors by way of filling."""
    table = filling_error(weather, base=10.0, **settings)
    print(table.round(2).to_string())  # noqa: T201
    return {str(row["way"]): {str(k): v for k, v in row.items()} for row in table.to_dict("records")}


def test_a_gap_is_filled_whole_or_not_at_all() -> None:
    filled = fill_weather(one([10, nan, nan, nan, nan, 20]), max_gap_days=2, max_share=1.0)
    assert np.isnan(filled["tmax"].values[0, 1:5]).all()


def test_nothing_beyond_the_last_or_before_the_first_observation() -> None:
    filled = fill_weather(one([nan, 10, nan, 12, nan, nan]), max_gap_days=3, max_share=1.0)
    np.testing.assert_array_equal(filled["tmax"].values[0], [nan, 10, 11, 12, nan, nan])
    assert filled["source"].values[0].tolist() == [0, 1, 3, 1, 0, 0]
    assert has_flag(filled, "interpolated").values[0].tolist() == [False, False, True, False, False, False]


def test_filled_days_are_counted() -> None:
    filled = fill_weather(one([10, 11, nan, 13, 12]), max_share=1.0)
    assert notes(filled) == ["Days filled from a line over short gaps: 1."]


def test_forecast_days_are_neither_filled_nor_used_as_an_end() -> None:
    weather = one([10, 11, nan, 13, nan, 15])
    source = weather["source"].values.copy()
    source[0, 3:] = [4, 0, 4]
    ahead = weather.assign(source=(("station", "time"), source, weather["source"].attrs))
    filled = fill_weather(ahead, max_share=1.0)
    assert np.isnan(filled["tmax"].values[0, [2, 4]]).all()


def test_neighbours_fill_and_name_their_donor() -> None:
    weather, hidden = hide_days(england(), seed=5)
    filled = fill_weather(weather, max_share=1.0)
    cell = has_flag(filled, "filled_from_neighbours").values
    assert (cell & hidden).sum() > 0.97 * hidden.sum()
    donors = set(filled["donor"].values[cell])
    assert donors <= set(england()["station"].values) - {""}
    own = filled["station"].values[:, None] == filled["donor"].values
    assert not own.any()


def test_filling_error_on_real_neighbours_is_small() -> None:
    """Five English counties, 5 % of days hidden in runs of 1 to 20; figures computed here from known days."""
    table = errors_of(england(), seed=1)
    near = table["neighbours"]
    assert near["filled"] > 0.95 * near["hidden"]
    assert near["rmse_tmin"] < 1.2
    assert near["rmse_tmax"] < 1.2
    assert abs(near["bias_tmin"]) < 0.1
    assert abs(near["bias_tmax"]) < 0.1
    # a heat sum of about 300 degC d by 30 June: the filled days cost a few degree-days
    assert table["all"]["heat_rmse"] < 4.0
    assert table["all"]["seasons"] > 50


def test_neighbours_beat_a_line_on_the_same_days() -> None:
    by_line = errors_of(england(), seed=2, longest=3, methods=("interpolation",))
    near = errors_of(england(), seed=2, longest=3, methods=("neighbours",))
    assert near["all"]["rmse_tmax"] < 0.7 * by_line["all"]["rmse_tmax"]


def test_a_lone_station_is_filled_over_short_gaps_only() -> None:
    table = errors_of(champion(), seed=1)
    assert table["neighbours"]["filled"] == 0
    assert 0 < table["interpolation"]["filled"] < 0.1 * table["all"]["hidden"]
    # a continental plain: the day-to-day spread makes a line worth some 3 to 5 degC
    assert 1.5 < table["interpolation"]["rmse_tmax"] < 6.5


def test_season_with_too_much_filling_is_left_out_by_name() -> None:
    weather = england().sel(time=slice("2001-01-01", "2003-12-31"))
    cut = weather["tmax"].copy()
    cut[0, 120:260] = np.nan
    source = weather["source"].copy()
    source[0, 120:260] = 0
    holed = weather.assign(tmax=cut, source=source)
    season = Season.parse("03-01", "10-31")
    filled = fill_weather(holed, season=season, max_share=0.2)
    assert np.isnan(filled["tmax"].values[0, 120:260]).all()
    assert any("Station cambridge, season 2001" in n and "left out" in n for n in notes(filled))
    generous = fill_weather(holed, season=season, max_share=0.9)
    assert not np.isnan(generous["tmax"].values[0, 120:260]).any()
    shares = filled_share(generous, season).set_index(["station", "season"])
    assert shares.loc[("cambridge", "2001"), "filled"] == pytest.approx(140 / 245)
    assert shares.loc[("norfolk", "2001"), "observed"] == 1.0


def test_season_across_new_year_has_one_label() -> None:
    # The southern season of 2023 runs into 2024
    days = np.arange(np.datetime64("2023-07-01"), np.datetime64("2024-06-30"))
    high = np.full((1, len(days)), 20.0)
    weather = new_dataset(pd.DataFrame({"station": ["A"]}), days, high - 9, high)
    shares = filled_share(weather, Season.parse("09-01", "04-30"))
    assert shares[["season", "days", "observed"]].values.tolist() == [["2023/24", 243, 1.0]]


def test_hiding_is_repeatable_and_spares_the_ends() -> None:
    first, hidden = hide_days(champion(), seed=7)
    again, _ = hide_days(champion(), seed=7)
    xr.testing.assert_identical(first, again)
    assert not hidden[0, [0, -1]].any()
    assert 0.045 < hidden.mean() < 0.06


def test_settings_are_checked() -> None:
    with pytest.raises(ModelError, match="is not a way to fill"):
        fill_weather(one([1, 2, 3]), methods=("spline",))
    with pytest.raises(ModelError, match="max_share"):
        fill_weather(one([1, 2, 3]), max_share=2.0)
    with pytest.raises(ModelError, match="share must be"):
        hide_days(champion(), seed=1, share=0.9)


def lows(low: list[float], high: list[float]) -> xr.Dataset:
    days = np.arange(len(high)) + np.datetime64("2024-05-01", "D")
    return new_dataset(pd.DataFrame({"station": ["A"]}), days, np.array([low]), np.array([high]))


@pytest.mark.parametrize("limit", [1, 2, 3])
def test_the_longest_gap_is_filled_at_its_value_and_not_above_it(limit: int) -> None:
    def filled(gap: int) -> bool:
        series = one([10.0, *([nan] * gap), 10.0 + gap + 1])
        found = fill_weather(series, max_gap_days=limit, max_share=1.0)["tmax"].values[0, 1:-1]
        if np.isfinite(found).all():
            np.testing.assert_allclose(found, 10.0 + np.arange(1, gap + 1))
            return True
        assert np.isnan(found).all()
        return False

    assert filled(limit)
    assert not filled(limit + 1)


def test_a_gap_at_the_end_of_the_series_has_no_second_value() -> None:
    # The day is complete in one element only, so that it lies between observations.
    weather = lows([1, 2, nan, nan], [11, 12, 13, 14])
    source = weather["source"].values.copy()
    source[0, :] = 1
    known = weather.assign(source=(("station", "time"), source, weather["source"].attrs))
    filled = fill_weather(known, max_share=1.0)
    assert np.isnan(filled["tmin"].values[0, 2:]).all()


def test_the_largest_filled_share_at_its_value() -> None:
    # 2 of 10 days are filled: a fifth is accepted, anything less is not.
    series = [10.0, nan, 12.0, nan, 14.0, 15.0, 16.0, 17.0, 18.0, 19.0]
    kept = fill_weather(one(series), max_share=0.2)
    assert kept["tmax"].values[0, [1, 3]].tolist() == [11.0, 13.0]
    refused = fill_weather(one(series), max_share=0.19)
    assert np.isnan(refused["tmax"].values[0, [1, 3]]).all()
    assert (refused["source"].values[0, [1, 3]] == 0).all()
    assert not has_flag(refused, "interpolated").values.any()
    (note,) = notes(refused)
    assert note == (
        "Station A, season 2024: 20 % of the days would be filled, more than 19 %; they stay missing, and the season is "
        "left out there."
    )


def test_the_filled_share_counts_a_day_once_though_both_elements_are_filled() -> None:
    both = lows([1, nan, 3, 4, 5], [11, nan, 13, 14, 15])
    apart = lows([1, nan, 3, 4, 5], [11, 12, 13, nan, 15])
    assert np.isfinite(fill_weather(both, max_share=0.2)["tmax"].values).all()
    assert np.isnan(fill_weather(apart, max_share=0.2)["tmin"].values[0, 1])
    assert np.isfinite(fill_weather(apart, max_share=0.4)["tmin"].values).all()


def test_the_filled_share_counts_in_each_season_by_itself() -> None:
    series = [10.0, nan, 12.0, 13.0, *range(14, 30)]
    early = Season.parse("05-01", "05-04")
    assert np.isnan(fill_weather(one(series), season=early, max_share=0.2)["tmax"].values[0, 1])
    assert np.isfinite(fill_weather(one(series), season=early, max_share=0.25)["tmax"].values[0, 1])
    # A gap outside every season counts in none.
    late = Season.parse("05-10", "05-20")
    assert np.isfinite(fill_weather(one(series), season=late, max_share=0.0)["tmax"].values[0, 1])


def test_a_filled_minimum_above_the_maximum_is_not_kept() -> None:
    # The line gives a minimum of 8 on a day whose observed maximum is 7: what was filled goes, what was seen stays.
    filled = fill_weather(lows([6, nan, 10], [16, 7, 20]), max_share=1.0)
    assert np.isnan(filled["tmin"].values[0, 1])
    assert filled["tmax"].values[0, 1] == 7.0
    assert not has_flag(filled, "interpolated").values.any()
    assert has_flag(filled, "incomplete_day").values[0].tolist() == [False, True, False]
    assert notes(filled) == []
    # Equal ones are a possible day.
    kept = fill_weather(lows([6, nan, 10], [16, 8, 20]), max_share=1.0)
    assert kept["tmin"].values[0, 1] == 8.0
    # A maximum that was filled below an observed minimum goes in the same way.
    other = fill_weather(lows([6, 19, 10], [16, nan, 20]), max_share=1.0)
    assert np.isnan(other["tmax"].values[0, 1])
    assert other["tmin"].values[0, 1] == 19.0


def test_a_day_filled_in_one_element_keeps_the_other() -> None:
    filled = fill_weather(lows([6, nan, 10], [16, 17.5, 20]), max_share=1.0)
    assert (filled["tmin"].values[0, 1], filled["tmax"].values[0, 1]) == (8.0, 17.5)
    assert filled["source"].values[0].tolist() == [1, 3, 1]
    assert filled["donor"].values[0].tolist() == ["", "", ""]


def test_methods_are_tried_in_the_order_given() -> None:
    weather, hidden = hide_days(england().sel(time=slice("2001-01-01", "2003-12-31")), seed=5, longest=2)
    first = fill_weather(weather, methods=("interpolation", "neighbours"), max_share=1.0)
    second = fill_weather(weather, methods=("neighbours", "interpolation"), max_share=1.0)
    lines = [has_flag(w, "interpolated").values[hidden].sum() for w in (first, second)]
    near = [has_flag(w, "filled_from_neighbours").values[hidden].sum() for w in (first, second)]
    assert lines[0] > 0.9 * hidden.sum() > lines[1]
    assert near[1] > 0.9 * hidden.sum() > near[0]
    assert (second["donor"].values[has_flag(second, "filled_from_neighbours").values] != "").all()


def test_settings_of_filling_at_their_limits() -> None:
    series = one([10.0, nan, 12.0])
    assert np.isfinite(fill_weather(series, max_gap_days=1, max_share=1.0)["tmax"].values).all()
    assert np.isnan(fill_weather(series, max_share=0.0)["tmax"].values[0, 1])
    for wrong in ({"max_gap_days": 0}, {"max_share": 1.001}, {"max_share": -0.001}):
        with pytest.raises(ModelError, match="max_gap_days must be 1 or more"):
            fill_weather(series, **wrong)  # type: ignore[arg-type]


def test_shares_of_a_season_add_up() -> None:
    filled = fill_weather(one([10.0, nan, 12.0, nan, nan, nan, nan, 17.0]), max_share=1.0)
    row = filled_share(filled).iloc[0]
    assert (row["observed"], row["filled"], row["missing"], row["modelled"]) == (3 / 8, 1 / 8, 4 / 8, 0.0)
    assert row["days"] == 8
