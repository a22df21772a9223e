"""Degree-days from daily minimum and maximum temperatures: numbers, arrays, pandas or xarray objects."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, NamedTuple, cast

import numpy as np
import numpy.typing as npt

from phenofit.deferred import deferred, is_kind
from phenofit.errors import DataError, ModelError, Problem, UnitError
from phenofit.heat.arrays import Floats, heat_of_days, slopes_of_days
from phenofit.heat.labels import heat_attributes
from phenofit.heat.settings import HeatSettings, check_thresholds
from phenofit.units import degree_day_unit, from_celsius, temperature_unit

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
else:
    pd, xr = deferred("pandas"), deferred("xarray")


class HeatSlopes(NamedTuple):
    """Degree-days and their slopes, as float or array."""

    heat: Any  # Degree-days [degC d].
    d_base: Any  # Slope in the base [d].
    d_upper: Any  # Slope in the upper threshold [d]; zero where there is none.


def degree_days(
    tmin: Any,
    tmax: Any,
    *,
    base: float | str,
    upper: float | str | None = None,
    method: str = "single sine",
    cutoff: str = "horizontal",
    tmin_next: Any = None,
    unit: str | None = None,
    out_unit: str = "degC d",
    dim: str = "time",
) -> Any:
    """Return the degree-days of every day.

    Parameters
    ----------
    tmin, tmax : float, array_like, pandas.Series, pandas.DataFrame or xarray.DataArray
        Daily minima and maxima [`unit`]; NaN where missing. Days run along `dim` of a DataArray, down the rows
        of pandas objects and along the last axis of an array. Chunked DataArrays stay lazy.
    base : float or str
        Lower threshold [degC], or a text with its unit such as ``"50 degF"``.
    upper : float, str or None
        Upper threshold [degC], or a text with its unit; None for none.
    method : str
        ``"simple average"`` (the mean of the two, then cut at the base), ``"clipped average"`` (minimum and
        maximum each set back to the range from base to upper first), ``"capped average"`` (the daily average set
        back to the upper threshold), ``"single sine"``, ``"double sine"``, ``"single triangle"`` or ``"double
        triangle"``. For hourly series see :func:`phenofit.heat.hourly_degree_days`.
    cutoff : str
        What happens above `upper`: ``"horizontal"`` (heat stays at its highest rate), ``"intermediate"`` (the
        rate falls as fast as it rose; the total of a day is not below zero), ``"floored intermediate"`` (the same,
        but the rate itself is never below zero, so a very hot hour takes nothing from the others) or
        ``"vertical"`` (no heat above). No effect without `upper`.
    tmin_next : like `tmin`, optional
        Minima of the next days, for the double methods; by default those of `tmin`. The last day, whose next
        minimum is unknown, is then NaN.
    unit : str or None
        Unit of the temperatures. None: that of the ``units`` attribute of a DataArray; degC for all else.
    out_unit : str
        ``"degC d"`` or ``"degF d"``.
    dim : str
        Name of the time dimension of DataArrays.

    Returns
    -------
    float, array, pandas.Series, pandas.DataFrame or xarray.DataArray
        Degree-days [`out_unit`], never negative, NaN where a temperature is missing; float32 where both inputs
        are. Series, DataFrames and DataArrays carry unit, base, upper, cut-off and method as attributes, and
        DataArrays the base as the scalar coordinate ``air_temperature_threshold``.

    Raises
    ------
    ModelError
        If method and cut-off do not go together, or a double method lacks the minimum of the next day.
    UnitError
        If a DataArray has no unit, or one other than `unit`.
    DataError
        If a minimum is above its maximum, or a double method meets days that do not follow each other.

    Notes
    -----
    Closed forms, see :mod:`phenofit.heat.compiled.daily_kernels`. Exact to rounding in float64.

    Examples
    --------
    >>> round(degree_days(14.0, 36.0, base=10.0, upper=30.0), 6)
    13.630221
    >>> degree_days(40.0, 65.0, base="50 degF", method="simple average", unit="degF", out_unit="degF d")
    2.5
    """
    plan = _Plan.make(base, upper, method, cutoff, _unit_of(tmin, tmax, tmin_next, unit), out_unit)
    low, high, next_tmin = _together(tmin, tmax, tmin_next, double=method.startswith("double"), dim=dim)
    if is_kind(low, "xarray", "DataArray"):
        result = _on_xarray(plan.heat, low, high, next_tmin)
        return plan.label(result)
    values = plan.heat(_floats(low), _floats(high), None if next_tmin is None else _floats(next_tmin))
    if is_kind(high, "pandas", "Series"):
        series = pd.Series(values, index=high.index, name="degree_days")
        series.attrs.update(plan.attributes())
        return series
    if is_kind(high, "pandas", "DataFrame"):
        frame = pd.DataFrame(values, index=high.index, columns=high.columns)
        frame.attrs.update(plan.attributes())
        return frame
    return float(values) if values.ndim == 0 else values


def degree_day_slopes(
    tmin: Any,
    tmax: Any,
    *,
    base: float | str,
    upper: float | str | None = None,
    method: str = "single sine",
    cutoff: str = "horizontal",
    tmin_next: Any = None,
    unit: str = "degC",
) -> HeatSlopes:
    """Return degree-days with their slopes in base and upper threshold.

    Parameters
    ----------
    tmin, tmax, tmin_next : float or array_like
        Temperatures [`unit`]; days along the last axis.
    base, upper, method, cutoff, unit
        As for :func:`degree_days`.

    Returns
    -------
    HeatSlopes
        ``heat`` [degC d], ``d_base`` and ``d_upper`` [d], of the shape of the temperatures.

    Raises
    ------
    ModelError, UnitError, DataError
        As for :func:`degree_days`.

    Notes
    -----
    Where a threshold meets the minimum or maximum of an average the slope jumps; the one given is that of the side
    on which the day has no heat to lose.

    Examples
    --------
    >>> slopes = degree_day_slopes(14.0, 36.0, base=10.0, upper=30.0, cutoff="vertical")
    >>> round(slopes.d_base, 6)
    -0.650198
    """
    plan = _Plan.make(base, upper, method, cutoff, temperature_unit(unit), "degC d")
    low, high, next_tmin = _together(
        np.asarray(tmin, float),
        np.asarray(tmax, float),
        tmin_next if tmin_next is None else np.asarray(tmin_next, float),
        double=method.startswith("double"),
        dim="",
    )
    heat, d_base, d_upper = slopes_of_days(
        low, high, next_tmin, codes=plan.codes, base=plan.base_in, upper=plan.upper_in
    )
    parts = (heat * plan.factor, d_base, d_upper)
    return HeatSlopes(*(float(p) if p.ndim == 0 else p for p in parts))


class _Plan(NamedTuple):
    """All that the blocks of one call share; thresholds in the unit of the temperatures."""

    settings: HeatSettings
    base: float
    codes: tuple[int, int]
    base_in: float
    upper_in: float
    factor: float
    out_unit: str

    @classmethod
    def make(
        cls, base: float | str, upper: float | str | None, method: str, cutoff: str, unit: str, out_unit: str
    ) -> _Plan:
        low, high = check_thresholds(base, upper)
        settings = HeatSettings(method, cutoff, high)
        out = degree_day_unit(out_unit)
        # Thresholds go to the unit of the temperatures: cheaper than the reverse, and nothing is rounded twice.
        factor = (1.0 / 1.8 if unit == "degF" else 1.0) * (1.8 if out == "degF d" else 1.0)
        if unit == "degF" and out == "degF d":
            factor = 1.0
        top = float("inf") if high is None else from_celsius(high, unit)
        codes = (settings.method_code, settings.cutoff_code)
        return cls(settings, low, codes, from_celsius(low, unit), top, factor, out)

    def heat(
        self, low: Floats, high: Floats, next_tmin: Floats | None = None, *, threads: int | None = None
    ) -> Floats:
        values = heat_of_days(
            low, high, next_tmin, codes=self.codes, base=self.base_in, upper=self.upper_in, threads=threads
        )
        if self.factor != 1.0:
            values *= values.dtype.type(self.factor)
        return values

    def attributes(self) -> dict[str, str]:
        return heat_attributes(self.settings, self.base, unit=self.out_unit)

    def label(self, result: xr.DataArray) -> xr.DataArray:
        result.name = "degree_days"
        result.attrs = dict(self.attributes())
        threshold = xr.Variable(
            (), self.base, {"units": "degC", "standard_name": "air_temperature_threshold"}
        )
        return result.assign_coords(air_temperature_threshold=threshold)


def _unit_of(tmin: Any, tmax: Any, tmin_next: Any, unit: str | None) -> str:
    """Return the one unit of all temperatures, refusing DataArrays without any."""
    wanted = None if unit is None else temperature_unit(unit)
    found: str | None = None
    for name, part in (("tmin", tmin), ("tmax", tmax), ("tmin_next", tmin_next)):
        if not is_kind(part, "xarray", "DataArray"):
            continue
        text = part.attrs.get("units")
        if text is None:
            if wanted is None:
                raise UnitError(
                    f"{name} has no 'units' attribute; set it, or give unit= one of degC, degF, kelvin."
                )
            continue
        this = temperature_unit(str(text))
        if (wanted or found or this) != this:
            raise UnitError(f"{name} is in {this}, but {wanted or found} was given or found before it.")
        found = this
    return wanted or found or "degC"


def _floats(values: Any) -> Floats:
    array = np.asarray(values)
    return array if array.dtype == np.float32 else array.astype(np.float64, copy=False)


def _together(tmin: Any, tmax: Any, tmin_next: Any, *, double: bool, dim: str) -> tuple[Any, Any, Any]:
    """Bring the temperatures to one kind, shape and type, with the minima of the next days where they are needed."""
    grids = [is_kind(part, "xarray", "DataArray") for part in (tmin, tmax)]
    tables = [is_kind(part, "pandas", "Series", "DataFrame") for part in (tmin, tmax)]
    kinds = {type(part) for part, *marks in zip((tmin, tmax), grids, tables, strict=True) if any(marks)}
    if len(kinds) > 1:
        raise ModelError(
            "tmin and tmax must be of one kind: both DataArrays, both Series or both DataFrames."
        )
    if all(grids):
        try:
            xr.align(tmin, tmax, join="exact")
        except ValueError as fault:
            raise DataError(
                f"tmin and tmax do not have the same coordinates; align them first ({fault})."
            ) from fault
        next_tmin = _next_of_xarray(tmin, tmin_next, dim) if double else None
        return tmin, tmax, next_tmin
    if all(tables):
        if not tmin.index.equals(tmax.index):
            raise DataError("tmin and tmax do not have the same index; align them first.")
        if double and tmin_next is None:
            _check_days(tmin.index.to_numpy())
            tmin_next = tmin.shift(-1)
        return tmin, tmax, tmin_next if double else None
    parts = [_floats(tmin), _floats(tmax)]
    if double:
        parts.append(_floats(tmin_next) if tmin_next is not None else _next_of_array(parts[0]))
    dtype = np.float32 if all(p.dtype == np.float32 for p in parts) else np.float64
    shaped = np.broadcast_arrays(*(p.astype(dtype, copy=False) for p in parts))
    return shaped[0], shaped[1], shaped[2] if double else None


def _next_of_array(tmin: Floats) -> Floats:
    if tmin.ndim == 0:
        raise ModelError("a double method needs the minimum of the next day: give tmin_next.")
    next_tmin = np.full_like(tmin, np.nan)
    next_tmin[..., :-1] = tmin[..., 1:]
    return next_tmin


def _next_of_xarray(tmin: xr.DataArray, tmin_next: Any, dim: str) -> xr.DataArray:
    if tmin_next is not None:
        return cast(xr.DataArray, tmin_next)
    if dim not in tmin.dims:
        raise ModelError(
            f"a double method needs the next day, but there is no dimension '{dim}'; give tmin_next."
        )
    if dim in tmin.coords:
        _check_days(tmin[dim].to_numpy())
    return tmin.shift({dim: -1})


def _check_days(days: npt.NDArray[Any]) -> None:
    """Refuse days that do not follow each other, where the labels are dates."""
    if not np.issubdtype(days.dtype, np.datetime64) or days.size < 2:
        return
    steps = np.diff(days.astype("datetime64[D]").astype(np.int64))
    if np.any(steps != 1):
        k = int(np.argmax(steps != 1))
        finding = f"after {days[k].astype('datetime64[D]')} comes {days[k + 1].astype('datetime64[D]')}."
        remedy = "A double method looks at the next day: bring the series to a complete calendar, missing days NaN."
        raise DataError(Problem(finding, remedy))


def _on_xarray(
    block: Callable[..., Floats], low: xr.DataArray, high: xr.DataArray, next_tmin: xr.DataArray | None
) -> xr.DataArray:
    given = [low, high] if next_tmin is None else [low, high, next_tmin]
    dtype = np.float32 if all(part.dtype == np.float32 for part in given) else np.float64
    given = [part.astype(dtype, copy=False) for part in given]
    lazy = any(part.chunks is not None for part in given)

    def cells(*arrays: Floats) -> Floats:
        # A worker of a task graph is one thread of many already.
        return block(*np.broadcast_arrays(*arrays), threads=1 if lazy else None)

    result = xr.apply_ufunc(
        cells, *given, dask="parallelized", output_dtypes=[dtype], keep_attrs=False, join="exact"
    )
    return cast(xr.DataArray, result)
