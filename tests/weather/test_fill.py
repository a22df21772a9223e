"""Filling: short gaps whole or not at all, neighbours by regression, errors from hidden days of real series."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.errors import ModelError
from phenofit.seasons import Season
from phenofit.weather import fill_weather, filled_share, filling_error, has_flag, new_dataset, notes
from phenofit.weather.quality.fill_error import hide_days
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
    assert any("Station 'cambridge', season 2001" in n and "left out" in n for n in notes(filled))
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
