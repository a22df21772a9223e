"""The public door to daily heat: containers, units, attributes, refusals."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.errors import DataError, ModelError, UnitError
from phenofit.heat import CUTOFFS, METHODS, HeatSettings, degree_day_slopes, degree_days
from phenofit.heat.compiled.daily_kernels import CUTOFF_CODES, METHOD_CODES, day_heat


def grid(unit: str = "degC", days: int = 30) -> tuple[xr.DataArray, xr.DataArray]:
    rng = np.random.default_rng(11)
    low = rng.normal(9.0, 5.0, (2, days, 3))
    coords = {"y": [50.0, 51.0], "time": pd.date_range("2024-02-20", periods=days), "x": [7.0, 8.0, 9.0]}
    tmin = xr.DataArray(low, dims=("y", "time", "x"), coords=coords, attrs={"units": unit})
    tmax = xr.DataArray(
        low + rng.uniform(0, 18, low.shape), dims=tmin.dims, coords=coords, attrs={"units": unit}
    )
    return tmin, tmax


@pytest.mark.parametrize("method", METHODS[:-1])
def test_arrays_series_frames_and_grids_agree_with_the_kernel(method: str) -> None:
    tmin, tmax = grid()
    low, high = tmin.values[0, :, 0], tmax.values[0, :, 0]
    following = np.append(low[1:], np.nan)
    kernel = [
        day_heat(METHOD_CODES[method], 0, *day, 10.0, np.inf)[0]
        for day in zip(low, high, following, strict=True)
    ]
    index = pd.DatetimeIndex(tmin["time"].values)
    by_array = degree_days(low, high, base=10.0, method=method)
    by_series = degree_days(pd.Series(low, index), pd.Series(high, index), base=10.0, method=method)
    by_frame = degree_days(
        pd.DataFrame({"a": low}, index), pd.DataFrame({"a": high}, index), base=10.0, method=method
    )
    by_grid = degree_days(tmin, tmax, base=10.0, method=method)
    for found in (by_array, by_series.to_numpy(), by_frame["a"].to_numpy(), by_grid.values[0, :, 0]):
        np.testing.assert_allclose(found, kernel, atol=1e-12)
    assert np.isnan(by_array[-1]) == method.startswith("double")


def test_grid_keeps_coordinates_and_says_unit_base_and_method() -> None:
    tmin, tmax = grid()
    heat = degree_days(
        tmin, tmax, base="50 degF", upper="86 degF", cutoff="vertical", method="single triangle"
    )
    assert heat.dims == tmin.dims
    for name in tmin.dims:
        np.testing.assert_array_equal(heat[name], tmin[name])
    assert heat.attrs["units"] == "degC d"
    assert heat.attrs["cell_methods"] == "time: sum"
    assert (heat.attrs["base"], heat.attrs["upper"]) == ("10 degC", "30 degC")
    assert (heat.attrs["method"], heat.attrs["cutoff"]) == ("single triangle", "vertical")
    # Names of the climate and forecast conventions (table of standard names, version 57).
    assert heat["air_temperature_threshold"].item() == 10.0
    assert heat["air_temperature_threshold"].attrs["units"] == "degC"
    plain = degree_days(tmin, tmax, base=10.0)
    assert plain.attrs["standard_name"] == "integral_wrt_time_of_air_temperature_excess"
    assert "standard_name" not in heat.attrs  # with an upper threshold it is no plain excess


@pytest.mark.parametrize("unit", ["degF", "K"])
def test_other_units_give_the_same_heat(unit: str) -> None:
    tmin, tmax = grid()
    reference = degree_days(tmin, tmax, base=10.0, upper=22.0)

    def turn(t: xr.DataArray) -> xr.DataArray:
        return (t * 1.8 + 32.0 if unit == "degF" else t + 273.15).assign_attrs(units=unit)

    found = degree_days(turn(tmin), turn(tmax), base=10.0, upper=22.0)
    np.testing.assert_allclose(found, reference, atol=1e-11)
    shown = degree_days(turn(tmin), turn(tmax), base=10.0, upper=22.0, out_unit="degF d")
    np.testing.assert_allclose(shown, reference * 1.8, atol=1e-11)
    assert shown.attrs["units"] == "degF d"


def test_lazy_stays_lazy_and_gives_the_same_bytes() -> None:
    pytest.importorskip("dask", reason="the extra 'dask' is not installed")
    tmin, tmax = grid()
    for method in ("single sine", "double triangle"):
        eager = degree_days(tmin, tmax, base=10.0, upper=20.0, method=method)
        lazy = degree_days(
            tmin.chunk(time=7, x=2), tmax.chunk(time=7, x=2), base=10.0, upper=20.0, method=method
        )
        assert lazy.chunks is not None
        assert lazy.compute().values.tobytes() == eager.values.tobytes()
        assert lazy.attrs == eager.attrs


def test_lazy_grid_with_inverted_day_is_refused_when_computed() -> None:
    pytest.importorskip("dask", reason="the extra 'dask' is not installed")
    tmin, tmax = grid()
    lazy = degree_days(tmax.chunk(time=7) + 1.0, tmin.chunk(time=7), base=10.0, unit="degC")
    with pytest.raises(DataError, match="minimum above the maximum"):
        lazy.compute()


def test_missing_temperature_gives_missing_heat() -> None:
    heat = degree_days([5.0, np.nan, 5.0], [20.0, 20.0, np.nan], base=10.0)
    assert np.isfinite(heat).tolist() == [True, False, False]


def test_whole_numbers_and_scalars() -> None:
    assert degree_days(10, 20, base=10) == 5.0
    assert degree_days(np.array([10, 12]), 20, base=10).tolist() == [5.0, 6.0]


def refusals() -> list[Any]:
    tmin, tmax = grid()
    bare = tmin.copy()
    bare.attrs = {}
    gap = tmin.isel(time=[0, 1, 3, 4]), tmax.isel(time=[0, 1, 3, 4])
    index = pd.date_range("2024-05-01", periods=2)
    series = pd.Series([5.0, 6.0], index)
    return [
        (bare, tmax, {}, UnitError, "tmin has no 'units' attribute"),
        (tmin, tmax, {"unit": "degF"}, UnitError, "tmin is in degC, but degF"),
        (tmin, tmax.assign_attrs(units="K"), {}, UnitError, "tmax is in kelvin, but degC"),
        (tmin, tmax.isel(x=slice(2)), {}, DataError, "same coordinates"),
        (*gap, {"method": "double sine"}, DataError, "after 2024-02-21 comes 2024-02-23"),
        (
            [5.0, 21.0],
            [20.0, 20.0],
            {},
            DataError,
            r"1 day has a minimum above the maximum \(first at index \[1\]",
        ),
        (5.0, 20.0, {"method": "double sine"}, ModelError, "give tmin_next"),
        (5.0, 20.0, {"method": "hourly"}, ModelError, "hourly_degree_days"),
        (
            5.0,
            20.0,
            {"method": "sine"},
            ModelError,
            "'sine' is not a heat method; accepted are simple average",
        ),
        (5.0, 20.0, {"cutoff": "soft"}, ModelError, "'soft' is not a cut-off; accepted are horizontal"),
        (5.0, 20.0, {"upper": 9.0}, ModelError, "must lie above the base"),
        (5.0, 20.0, {"base": 50.0}, UnitError, "did you mean '50 degF'"),
        (5.0, 20.0, {"upper": 86.0}, UnitError, "did you mean '86 degF'"),
        (5.0, 20.0, {"base": "50"}, UnitError, "'50' has no unit"),
        (series, series.to_frame(), {}, ModelError, "of one kind"),
        (series, series.shift(1, freq="D"), {}, DataError, "same index"),
    ]


@pytest.mark.parametrize(("tmin", "tmax", "options", "error", "message"), refusals())
def test_refusals(
    tmin: Any, tmax: Any, options: dict[str, Any], error: type[Exception], message: str
) -> None:
    with pytest.raises(error, match=message):
        degree_days(tmin, tmax, **{"base": 10.0, **options})


# Which averages go with which cut-off is common practice, no source; sine and triangle go with all.
@pytest.mark.parametrize(
    ("method", "accepted"),
    [
        ("simple average", ()),
        ("clipped average", ("horizontal",)),
        ("capped average", ("horizontal",)),
        *(
            (m, CUTOFFS)
            for m in ("single sine", "double sine", "single triangle", "double triangle", "hourly")
        ),
    ],
)
def test_combinations_that_are_not_defined_are_refused_with_the_reason(
    method: str, accepted: tuple[str, ...]
) -> None:
    for cutoff in CUTOFFS:
        if cutoff in accepted:
            assert HeatSettings(method, cutoff, 30.0).upper == 30.0
        else:
            with pytest.raises(ModelError, match=r"is not defined: .*average"):
                HeatSettings(method, cutoff, 30.0)
        assert HeatSettings(method, cutoff).upper is None


def test_settings_in_words_and_codes() -> None:
    settings = HeatSettings("double triangle", "intermediate", "86 degF")  # type: ignore[arg-type]
    assert settings.upper == 30.0
    assert (settings.method_code, settings.cutoff_code) == (
        METHOD_CODES["double triangle"],
        CUTOFF_CODES["intermediate"],
    )
    assert (
        settings.describe(10.0, "degF")
        == "double triangle, base 50 °F, upper threshold 86 °F (intermediate cut-off)"
    )
    assert HeatSettings().cutoff_code == CUTOFF_CODES["none"]
    assert HeatSettings().upper_or_inf == np.inf


def test_slopes_come_beside_the_value() -> None:
    # Spot values of a 14 to 36 degC day over 10 and 30 degC, computed by quadrature: heat with a vertical cut-off
    # 6.634187, its slope in the base -0.650198, which is not minus the fraction above the base (-1).
    slopes = degree_day_slopes([14.0], [36.0], base=10.0, upper=30.0, cutoff="vertical")
    np.testing.assert_allclose([slopes.heat[0], slopes.d_base[0]], [6.634187, -0.650198], atol=6e-7)
    fahrenheit = degree_day_slopes(57.2, 96.8, base=10.0, upper=30.0, cutoff="vertical", unit="degF")
    np.testing.assert_allclose([fahrenheit.heat, fahrenheit.d_base], [6.634187, -0.650198], atol=6e-7)
    with pytest.raises(DataError, match="minimum above the maximum"):
        degree_day_slopes(20.0, 14.0, base=10.0)
