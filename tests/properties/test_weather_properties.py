"""What must hold for any weather: round trips, order of rows, units, gaps."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from phenofit.files.cells import parse_dates
from phenofit.files.tables import read_table
from phenofit.globe import EARTH_RADIUS_KM, distance_km
from phenofit.units import from_celsius
from phenofit.weather import check_weather, fill_weather, new_dataset, read_weather, write_weather

temperature = st.one_of(st.none(), st.integers(-400, 500).map(lambda n: n / 10))
pairs = st.lists(st.tuples(temperature, temperature), min_size=1, max_size=40)


def dataset(days: list[tuple[float | None, float | None]]) -> xr.Dataset:
    low = np.array([[a if a is not None else np.nan for a, _ in days]])
    high = np.array([[b if b is not None else np.nan for _, b in days]])
    with np.errstate(invalid="ignore"):
        low, high = (
            np.fmin(low, np.where(np.isnan(high), low, high)),
            np.fmax(high, np.where(np.isnan(low), high, low)),
        )
    calendar = np.datetime64("2023-12-20") + np.arange(len(days))
    return new_dataset(pd.DataFrame({"station": ["A"]}), calendar, low, high)


@settings(max_examples=25, deadline=None)
@given(pairs)
def test_netcdf_round_trip_is_exact(days: list[tuple[float | None, float | None]]) -> None:
    weather = dataset(days)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "w.nc"
        write_weather(weather, path)
        xr.testing.assert_equal(read_weather(path), weather)


@settings(max_examples=25, deadline=None)
@given(pairs, st.sampled_from(["degC", "degF", "kelvin"]), st.randoms(use_true_random=False))
def test_table_in_any_unit_and_any_order_gives_the_same_days(
    days: list[tuple[float | None, float | None]], unit: str, shuffle: object
) -> None:
    weather = dataset(
        [(a, b) if a is not None and b is not None and a > -35 and b < 45 else (1.0, 9.0) for a, b in days]
    )
    frame = pd.DataFrame(
        {
            "station": "A",
            "date": weather["time"].dt.strftime("%Y-%m-%d").values,
            "tmin": from_celsius(weather["tmin"].values[0], unit),
            "tmax": from_celsius(weather["tmax"].values[0], unit),
        }
    )
    order = np.random.default_rng(shuffle.getrandbits(32)).permutation(len(frame))  # type: ignore[attr-defined]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "w.csv"
        frame.iloc[order].to_csv(path, index=False)
        # 60 °C is the last value kept, so every made value survives; codes are switched off for the same reason
        read = read_weather(path, unit=unit, missing_codes=())
    np.testing.assert_allclose(read["tmin"].values, weather["tmin"].values, atol=1e-9)
    np.testing.assert_allclose(read["tmax"].values, weather["tmax"].values, atol=1e-9)


@settings(max_examples=60, deadline=None)
@given(pairs, st.integers(1, 5))
def test_filling_keeps_what_is_known_and_never_goes_beyond_the_ends(
    days: list[tuple[float | None, float | None]], longest: int
) -> None:
    weather = dataset(days)
    filled = fill_weather(weather, max_gap_days=longest, max_share=1.0)
    for element in ("tmin", "tmax"):
        before, after = weather[element].values, filled[element].values
        known = ~np.isnan(before)
        np.testing.assert_array_equal(after[known], before[known])
        new = ~np.isnan(after) & ~known
        whole = np.flatnonzero(weather["source"].values[0] == 1)
        if new.any():
            at = np.flatnonzero(new[0])
            assert whole[0] < at.min()
            assert at.max() < whole[-1]
            assert np.nanmin(before) <= after[new].min()
            assert after[new].max() <= np.nanmax(before)
    both = ~np.isnan(filled["tmin"].values) & ~np.isnan(filled["tmax"].values)
    assert (filled["tmin"].values[both] <= filled["tmax"].values[both]).all()


@settings(max_examples=40, deadline=None)
@given(pairs)
def test_checking_only_removes_and_twice_is_once(days: list[tuple[float | None, float | None]]) -> None:
    weather = dataset(days)
    checked = check_weather(weather, checks=["spike", "repeated_value"])
    for element in ("tmin", "tmax"):
        same = (checked[element] == weather[element]) | checked[element].isnull()
        assert bool(same.all())
    removed = (checked["tmax"].isnull() & weather["tmax"].notnull()) | (
        checked["tmin"].isnull() & weather["tmin"].notnull()
    )
    assert bool((checked["flag"].values[removed.values] > 0).all())


@given(
    st.dates(pd.Timestamp("1900-01-01").date(), pd.Timestamp("2099-12-31").date()),
    st.sampled_from([("year-first", "%Y-%m-%d"), ("month-first", "%m/%d/%Y"), ("day-first", "%d.%m.%Y")]),
)
@settings(max_examples=60, deadline=None)
def test_any_day_is_read_back_in_its_declared_order(day: object, form: tuple[str, str]) -> None:
    order, pattern = form
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "t.csv"
        path.write_text(f"date,x\n{day.strftime(pattern)},1\n", encoding="utf-8")  # type: ignore[attr-defined]
        values, problems = parse_dates(read_table(path, required=["date"]), "date", order)
    assert problems == []
    assert str(values[0])[:10] == str(day)


place = st.tuples(st.floats(-90, 90), st.floats(-180, 180))


@given(place, place, place)
def test_distance_is_a_metric_on_the_globe(
    a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]
) -> None:
    ab, ba = float(distance_km(*a, *b)), float(distance_km(*b, *a))
    assert ab == ba
    assert float(distance_km(*a, *a)) == 0.0
    assert 0 <= ab <= np.pi * EARTH_RADIUS_KM + 1e-6
    assert float(distance_km(*a, *c)) <= ab + float(distance_km(*b, *c)) + 1e-5
