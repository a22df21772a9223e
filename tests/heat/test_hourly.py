"""The hourly sum: against quadrature of the polygon, on whole days, and its refusals."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.errors import DataError, ModelError, UnitError
from phenofit.heat import hourly_degree_days
from phenofit.heat.compiled.daily_kernels import CUTOFF_CODES


def invented(hours: int = 73, start: str = "2024-05-01") -> pd.Series:
    rng = np.random.default_rng(6)
    times = pd.date_range(start, periods=hours, freq="h")
    course = 18.0 - 12.0 * np.cos(2.0 * np.pi * (np.arange(hours) - 4.0) / 24.0)
    return pd.Series(course + rng.normal(0.0, 1.0, hours), index=times)


def rate(t: np.ndarray, cutoff: str, base: float, upper: float) -> np.ndarray:
    above, over = np.maximum(t - base, 0.0), np.maximum(t - upper, 0.0)
    return {
        "none": above,
        "horizontal": above - over,
        "intermediate": above - 2.0 * over,
        "vertical": np.where(t <= upper, above, 0.0),
        "floored intermediate": np.maximum(above - 2.0 * over, 0.0),
    }[cutoff]


@pytest.mark.parametrize("cutoff", CUTOFF_CODES)
def test_lines_and_steps_equal_a_fine_sum(cutoff: str) -> None:
    series = invented()
    options: dict[str, Any] = {} if cutoff == "none" else {"upper": 24.0, "cutoff": cutoff}
    lines = hourly_degree_days(series, base=10.0, between="lines", **options)
    steps = hourly_degree_days(series, base=10.0, between="steps", **options)
    fine = np.interp((np.arange(72 * 4000) + 0.5) / 4000.0, np.arange(73), series.to_numpy())
    for d in range(3):
        part = rate(fine[d * 96_000 : (d + 1) * 96_000], cutoff, 10.0, 24.0).mean()
        assert lines.iloc[d] == pytest.approx(max(part, 0.0), abs=1e-3 if cutoff == "vertical" else 1e-6)
        hours = rate(series.to_numpy()[24 * d : 24 * d + 24], cutoff, 10.0, 24.0).mean()
        assert steps.iloc[d] == pytest.approx(max(hours, 0.0), abs=1e-12)
    assert np.isnan(lines.iloc[3])
    assert np.isnan(steps.iloc[3])  # one reading is no day
    assert steps.attrs["method"] == "hourly"


def test_day_with_a_missing_reading_is_unknown() -> None:
    series = invented(72)
    heat = hourly_degree_days(series.drop(series.index[30]), base=10.0)
    assert np.isfinite(heat).tolist() == [True, False, True]
    # Lines need the first reading of the next day.
    assert np.isfinite(hourly_degree_days(series, base=10.0, between="lines")).tolist() == [True, True, False]


def test_units_grids_and_half_hours() -> None:
    series = invented(48)
    grid = xr.DataArray(
        np.stack([series, series + 1.0]) * 1.8 + 32.0,
        dims=("site", "time"),
        coords={"site": ["a", "b"], "time": series.index},
        attrs={"units": "degF"},
    )
    heat = hourly_degree_days(grid, base="50 degF", out_unit="degF d")
    np.testing.assert_allclose(heat.isel(site=0), 1.8 * hourly_degree_days(series, base=10.0), rtol=1e-12)
    assert heat.attrs["units"] == "degF d"
    half = pd.Series(
        np.repeat(series.to_numpy(), 2), index=pd.date_range(series.index[0], periods=96, freq="30min")
    )
    np.testing.assert_allclose(hourly_degree_days(half, base=10.0), hourly_degree_days(series, base=10.0))
    array = hourly_degree_days(series.to_numpy(), times=series.index, base=10.0)
    np.testing.assert_array_equal(array, hourly_degree_days(series, base=10.0))


@pytest.mark.parametrize(
    ("change", "options", "error", "message"),
    [
        (lambda s: s, {"between": "curves"}, ModelError, "accepted are steps, lines"),
        (lambda s: s, {"unit": "hours"}, UnitError, "not a temperature unit"),
        (lambda s: s.tz_localize("UTC"), {}, ModelError, "fixed offset"),
        (lambda s: s.iloc[::-1], {}, DataError, "do not go on in one step"),
        (lambda s: s.shift(freq="20min"), {}, DataError, "at one step from midnight on"),
        (lambda s: s.to_numpy(), {}, ModelError, "needs times="),
        (lambda s: s.to_xarray().rename(index="time"), {}, UnitError, "no 'units' attribute"),
        (lambda s: s, {"upper": 5.0}, ModelError, "must lie above the base"),
    ],
)
def test_refusals(change: Any, options: dict[str, Any], error: type[Exception], message: str) -> None:
    with pytest.raises(error, match=message):
        hourly_degree_days(change(invented()), **{"base": 10.0, **options})
