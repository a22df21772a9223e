"""Running sums and the dates of requirements: seasons, leap years, biofix, gaps. Expected values by plain arithmetic."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.errors import DataError, ModelError, UnitError
from phenofit.heat import accumulate, dates_reaching
from phenofit.heat.compiled.daily_kernels import METHOD_CODES, running_heat
from phenofit.seasons import MonthDay, Season


def ones(first: str, last: str, value: float = 1.0) -> xr.DataArray:
    days = pd.date_range(first, last)
    return xr.DataArray(
        np.full(days.size, value), dims="time", coords={"time": days}, attrs={"units": "degC d"}
    )


def test_seasons_begin_anew_and_cross_new_year() -> None:
    heat = accumulate(ones("2022-06-20", "2024-06-30"), start="07-01", end="05-31")
    assert np.isnan(heat.sel(time="2022-06-30"))  # this season began before the series
    assert heat.sel(time="2022-07-01") == 1.0
    assert heat.sel(time="2022-12-31") == 184.0
    assert heat.sel(time="2023-01-01") == 185.0  # no reset at New Year
    assert heat.sel(time="2023-05-31") == 335.0
    assert np.isnan(heat.sel(time="2023-06-01"))
    assert heat.sel(time="2024-05-31") == 336.0  # a leap year: one day more
    assert heat["season"].sel(time="2024-02-10") == 2023
    assert heat.attrs["start"] == "07-01"
    same = accumulate(ones("2022-06-20", "2024-06-30"), start=Season.parse("07-01", "05-31"))
    np.testing.assert_array_equal(same, heat)


def test_start_by_month_day_holds_in_leap_years() -> None:
    heat = accumulate(ones("2023-01-01", "2024-12-31"), start="03-01")
    assert heat.sel(time="2023-03-01") == heat.sel(time="2024-03-01") == 1.0
    assert heat.sel(time="2024-02-29") == 366.0  # the season of 2023 goes to the day before the next start
    last = accumulate(ones("2023-01-01", "2024-12-31"), start="02-29")
    assert last.sel(time="2023-03-01") == last.sel(time="2024-02-29") == 1.0


def test_season_that_began_before_the_series_is_unknown_never_smaller() -> None:
    heat = accumulate(ones("2023-01-02", "2024-03-01"), start="01-01")
    assert np.isnan(heat.sel(time=slice(None, "2023-12-31"))).all()
    assert heat.sel(time="2024-03-01") == 61.0


def test_gap_makes_the_rest_of_the_season_unknown() -> None:
    daily = ones("2023-01-01", "2024-12-31")
    daily.loc["2023-05-05"] = np.nan
    heat = accumulate(daily, start="01-01")
    assert heat.sel(time="2023-05-04") == 124.0
    assert np.isnan(heat.sel(time=slice("2023-05-05", "2023-12-31"))).all()
    assert heat.sel(time="2024-01-01") == 1.0


def test_filled_days_are_counted_and_limited() -> None:
    daily = ones("2023-01-01", "2023-01-10")
    filled = xr.DataArray(np.isin(np.arange(10), [2, 5, 6]), dims="time", coords={"time": daily["time"]})
    heat = accumulate(daily, start="01-01", filled=filled)
    np.testing.assert_allclose(heat["filled_share"].values[[0, 2, 9]], [0.0, 1 / 3, 0.3])
    assert np.isfinite(heat).all()
    run = accumulate(daily, start="01-01", filled=filled, longest_gap=1)
    assert np.flatnonzero(np.isnan(run)).tolist() == [6, 7, 8, 9]
    count = accumulate(daily, start="01-01", filled=filled, max_filled=1)
    assert np.flatnonzero(np.isnan(count)).tolist() == [5, 6, 7, 8, 9]
    with pytest.raises(ModelError, match="need filled="):
        accumulate(daily, start="01-01", max_filled=1)


def test_several_starts_at_once() -> None:
    daily = ones("2022-12-01", "2024-12-31", 2.0)
    heat = accumulate(daily, start=["01-01", MonthDay(3, 1)])
    assert heat.dims == ("start", "time")
    assert heat["start"].values.tolist() == ["01-01", "03-01"]
    assert heat.sel(time="2023-12-31").values.tolist() == [730.0, 612.0]
    dates = dates_reaching(heat, 10.0)
    assert dates.dims == ("start", "season")
    assert dates.sel(start="03-01").values.astype("datetime64[D]").astype(str).tolist() == [
        "2023-03-06",
        "2024-03-06",
    ]


def test_biofix_of_each_place_and_year() -> None:
    daily = xr.concat([ones("2023-01-01", "2024-12-31", 4.0)] * 2, dim=xr.Variable("site", ["a", "b"]))
    biofix = xr.DataArray(
        np.array([["2023-04-01T12", "2024-04-10"], ["2023-05-01", "NaT"]], dtype="datetime64[ns]"),
        dims=("site", "season"),
        coords={"site": ["a", "b"], "season": [2023, 2024]},
    )
    heat = accumulate(daily, biofix=biofix, end="10-31")
    assert heat.dims == ("season", "site", "time")
    a = heat.sel(site="a", season=2023)
    assert np.isnan(a.sel(time="2023-03-31"))
    assert a.sel(time="2023-04-01") == 2.0  # the half of the day after midday
    assert a.sel(time="2023-04-03") == 10.0
    assert np.isfinite(a.sel(time="2023-10-31"))
    assert np.isnan(a.sel(time="2023-11-01"))
    assert np.isnan(heat.sel(site="b", season=2024)).all()
    dates = dates_reaching(heat, [1.0, 4.0])
    assert dates.dims == ("season", "site", "amount")
    found = dates.sel(site="a", season=2023).values.astype("datetime64[h]").astype(str).tolist()
    assert found == ["2023-04-01T18", "2023-04-02T12"]  # a quarter day, and a whole day of 4, after midday
    assert np.isnat(dates.sel(site="b", season=2024)).all()
    assert heat.attrs["start"] == "biofix"


def test_biofix_before_the_series_is_unknown() -> None:
    heat = accumulate(ones("2023-02-01", "2023-02-10"), biofix="2023-01-31")
    assert np.isnan(heat).all()


def test_dates_have_the_fraction_of_the_day_and_nat_where_not_reached() -> None:
    heat = accumulate(ones("2023-01-01", "2023-12-31", 4.0), start="01-01")
    dates = dates_reaching(heat, [4.0, 5.0, "18 degF d", 2000.0])
    texts = ["NaT" if np.isnat(d) else str(d.astype("datetime64[h]")) for d in dates.values]
    assert texts == ["2023-01-02T00", "2023-01-02T06", "2023-01-03T12", "NaT"]
    assert dates["amount"].values.tolist() == [4.0, 5.0, 10.0, 2000.0]
    assert dates_reaching(heat, 5.0).ndim == 0


def test_dates_invert_the_sums_of_the_kernel() -> None:
    rng = np.random.default_rng(2)
    low = rng.normal(8.0, 4.0, (1, 200))
    high = low + rng.uniform(3.0, 15.0, low.shape)
    heat, _, _ = running_heat(low, high, 10.0, np.inf, METHOD_CODES["single sine"], 0)
    days = np.arange("2023-03-01", "2023-09-17", dtype="datetime64[D]")
    amounts = np.linspace(1.0, heat[0, -1] - 1.0, 25)
    moments = dates_reaching(heat[:, 1:], amounts, dates=days)[0]
    offsets = (moments - days[0].astype("datetime64[ns]")) / np.timedelta64(1, "D")
    # To the second: heat within half a second of the fastest day.
    np.testing.assert_allclose(np.interp(offsets, np.arange(201), heat[0]), amounts, atol=30.0 / 86400.0)


def test_pandas_and_arrays() -> None:
    days = pd.date_range("2023-12-30", periods=5)
    series = accumulate(pd.Series(2.0, index=days), start="01-01")
    assert series.index.equals(days)
    np.testing.assert_array_equal(series, [np.nan, np.nan, 2.0, 4.0, 6.0])
    assert dates_reaching(series, [3.0]).iloc[0] == pd.Timestamp("2024-01-02 12:00")
    array = accumulate(np.full((2, 5), 2.0), start="01-01", dates=days)
    np.testing.assert_array_equal(array[1], series)
    assert accumulate(np.array([1, 2, 3])).tolist() == [1.0, 3.0, 6.0]


def test_lazy_sums_and_dates_stay_lazy() -> None:
    pytest.importorskip("dask", reason="the extra 'dask' is not installed")
    daily = ones("2022-01-01", "2023-12-31").expand_dims(x=6).copy()
    daily.attrs["units"] = "degC d"
    for options in ({"start": "03-01"}, {"biofix": "2022-03-05"}, {"start": ["01-01", "02-01"]}):
        eager = accumulate(daily, **options)
        lazy = accumulate(daily.chunk(x=2, time=50), **options)
        assert lazy.chunks is not None
        assert lazy.compute().values.tobytes() == eager.values.tobytes()
        dates = dates_reaching(lazy, [30.0, 40.0])
        assert dates.chunks is not None
        np.testing.assert_array_equal(dates.compute(), dates_reaching(eager, [30.0, 40.0]))


def test_cold_season_reaches_nothing() -> None:
    heat = accumulate(ones("2023-01-01", "2023-12-31", 0.0), start="01-01")
    assert heat.values[-1] == 0.0
    assert np.isnat(dates_reaching(heat, 1.0).values)


def faults() -> list[Any]:
    daily = ones("2023-01-01", "2023-01-10")
    bare = daily.copy()
    bare.attrs = {}
    cf = daily.assign_coords(time=np.arange(10))
    return [
        (daily.isel(time=[0, 1, 3]), {"start": "01-01"}, DataError, "after 2023-01-02 comes 2023-01-04"),
        (daily.isel(time=[0, 1, 1]), {"start": "01-01"}, DataError, "after 2023-01-02 comes 2023-01-02"),
        (bare, {}, UnitError, "no 'units' attribute"),
        (daily.assign_attrs(units="degC"), {}, UnitError, "not a degree-day unit"),
        (daily.rename(time="day"), {}, ModelError, "no dimension 'time'"),
        (cf, {"start": "01-01"}, ModelError, "not dates"),
        (daily, {"start": "01-01", "biofix": "2023-01-02"}, ModelError, "not both"),
        (daily, {"end": "10-31"}, ModelError, "an end needs a start"),
        (daily, {"start": "13-01"}, ModelError, "no day 13-01"),
        (np.ones(4), {"start": "01-01"}, ModelError, "no coordinate 'time' of dates"),
    ]


@pytest.mark.parametrize(("daily", "options", "error", "message"), faults())
def test_faulty_sums_are_refused(
    daily: Any, options: dict[str, Any], error: type[Exception], message: str
) -> None:
    with pytest.raises(error, match=message):
        accumulate(daily, **options)


@pytest.mark.parametrize("amounts", [0.0, -3.0, [5.0, np.nan], []])
def test_amounts_must_lie_above_nil(amounts: Any) -> None:
    heat = accumulate(ones("2023-01-01", "2023-01-10"), start="01-01")
    with pytest.raises(ModelError, match="must be above 0"):
        dates_reaching(heat, amounts)
    with pytest.raises(ModelError, match="needs dates="):
        dates_reaching(np.ones(4), 2.0)


def test_filled_days_since_a_biofix_are_counted_and_limited() -> None:
    daily = xr.DataArray(
        np.full((2, 8), 3.0),
        dims=("site", "time"),
        coords={"time": pd.date_range("2024-05-01", periods=8)},
        attrs={"units": "degC d"},
    )
    filled = xr.zeros_like(daily, dtype=bool)
    filled[:, [0, 3, 4, 6]] = True
    biofix = xr.DataArray(np.array(["2024-05-02", "NaT"], dtype="datetime64[ns]"), dims="site")
    heat = accumulate(daily, biofix=biofix, filled=filled)
    # Filled days since 2 May: of the days 2, 3, 4, ... the 4th, 5th and 7th.
    np.testing.assert_allclose(heat["filled_share"][0, 1:], [0, 0, 1 / 3, 2 / 4, 2 / 5, 3 / 6, 3 / 7])
    assert np.isnan(heat["filled_share"][0, 0])
    assert heat[1].isnull().all()
    run = accumulate(daily, biofix=biofix, filled=filled, longest_gap=1)
    np.testing.assert_allclose(run[0, 1:4], [3.0, 6.0, 9.0])
    assert run[0, 4:].isnull().all()
    count = accumulate(daily, biofix=biofix, filled=filled, max_filled=2)
    assert count[0, 5].item() == 15.0
    assert count[0, 6:].isnull().all()
    lazy = accumulate(daily.chunk({"time": 3}), biofix=biofix, filled=filled, max_filled=2)
    xr.testing.assert_identical(lazy.compute(), count)
