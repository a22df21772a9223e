"""Degree-days summed from hourly temperatures, the reference for the daily methods."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from phenofit.deferred import deferred
from phenofit.errors import DataError, ModelError, Problem, UnitError
from phenofit.heat.compiled.daily_kernels import CUTOFF_CODES
from phenofit.heat.compiled.day_arrays import hourly_days
from phenofit.heat.labels import heat_attributes
from phenofit.heat.settings import HeatSettings, check_thresholds
from phenofit.units import convert_degree_days, degree_day_unit, from_celsius, temperature_unit

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
else:
    pd, xr = deferred("pandas"), deferred("xarray")

_BETWEEN = ("steps", "lines")


def hourly_degree_days(
    temperature: Any,
    *,
    base: float | str,
    upper: float | str | None = None,
    cutoff: str = "horizontal",
    between: str = "steps",
    times: Any = None,
    unit: str | None = None,
    out_unit: str = "degC d",
    dim: str = "time",
) -> Any:
    """Return the degree-days of each calendar day from hourly temperatures.

    Parameters
    ----------
    temperature : array_like, pandas.Series or xarray.DataArray
        Readings [`unit`] at a constant step that divides the day (an hour, half an hour), along `dim`, down a
        Series with a date-time index, or along the last axis.
    base, upper : float or str
        Thresholds [degC], or texts with their unit.
    cutoff : str
        As for :func:`degree_days`.
    between : str
        ``"steps"``: each reading holds until the next, as for hourly means. ``"lines"``: temperature changes
        linearly from one reading to the next, summed exactly; the last day then needs the first reading after it.
    times : array_like of date-times, optional
        Times of an array's readings.
    unit, out_unit : str
        As for :func:`degree_days`.
    dim : str
        Name of the time dimension.

    Returns
    -------
    array, pandas.Series or xarray.DataArray
        Degree-days of each calendar day of the clock of the series [`out_unit`]; NaN for a day with a missing
        reading. For local days give local standard time.

    Raises
    ------
    ModelError
        If `between` or the cut-off is not known, or the times are absent or carry a time zone.
    DataError
        If the times do not follow each other in one constant step that divides the day.
    UnitError
        If a DataArray has no unit.

    Notes
    -----
    The intermediate cut-off floors the total of the day at zero, the floored intermediate each instant.

    Examples
    --------
    >>> times = pd.date_range("2024-05-01", periods=24, freq="h")
    >>> float(hourly_degree_days(pd.Series(20.9, index=times), base=12.8, upper=30.0).iloc[0].round(4))
    8.1
    """
    if between not in _BETWEEN:
        raise ModelError(f"between = '{between}' is not known; accepted are {', '.join(_BETWEEN)}.")
    low, high = check_thresholds(base, upper)
    settings = HeatSettings("hourly", cutoff, high)
    grid = _readings(temperature, times, dim)
    source = _unit(grid, unit, is_xarray=isinstance(temperature, xr.DataArray))
    full, days, per_day = _whole_days(grid, dim, lines=between == "lines")
    code = CUTOFF_CODES["none"] if high is None else CUTOFF_CODES[cutoff]
    ends = (from_celsius(low, source), np.inf if high is None else from_celsius(high, source))
    heat_unit = "degF d" if source == "degF" else "degC d"

    def block(values: npt.NDArray[Any]) -> npt.NDArray[np.float64]:
        flat = np.ascontiguousarray(values, dtype=np.float64).reshape(-1, values.shape[-1])
        out = np.empty((flat.shape[0], days.size))
        hourly_days(flat, per_day, between == "lines", code, *ends, out)
        return convert_degree_days(out, heat_unit, out_unit).reshape(*values.shape[:-1], days.size)

    result = xr.apply_ufunc(
        block,
        full.chunk({dim: -1}) if full.chunks is not None else full,
        input_core_dims=[[dim]],
        output_core_dims=[[dim]],
        exclude_dims={dim},
        dask="parallelized",
        output_dtypes=[np.dtype(np.float64)],
        dask_gufunc_kwargs={"output_sizes": {dim: days.size}},
    )
    result = result.assign_coords({dim: days.astype("datetime64[ns]")}).transpose(*grid.dims)
    result.name = "degree_days"
    result.attrs = dict(heat_attributes(settings, low, unit=degree_day_unit(out_unit)))
    if isinstance(temperature, xr.DataArray):
        return result
    if isinstance(temperature, pd.Series):
        series = pd.Series(result.to_numpy(), index=pd.DatetimeIndex(days, name=dim), name="degree_days")
        series.attrs.update(result.attrs)
        return series
    return result.to_numpy()


def _readings(temperature: Any, times: Any, dim: str) -> xr.DataArray:
    if isinstance(temperature, xr.DataArray):
        grid = temperature
    else:
        if isinstance(temperature, pd.Series):
            times = temperature.index
        if times is None:
            raise ModelError("an array of hourly readings needs times=, their date-times.")
        stamps = pd.DatetimeIndex(times)
        if stamps.tz is not None:
            raise ModelError(
                "the times carry a time zone; convert them to local standard time (a fixed offset, so that every "
                "day has 24 hours) and take the zone off."
            )
        array = np.asarray(temperature, dtype=np.float64)
        names = [f"axis{k}" for k in range(array.ndim - 1)] + [dim]
        grid = xr.DataArray(array, dims=names, coords={dim: stamps.to_numpy()})
    if dim not in grid.coords or not np.issubdtype(grid[dim].dtype, np.datetime64):
        raise ModelError(f"the readings need a coordinate '{dim}' of date-times.")
    return grid


def _unit(grid: xr.DataArray, unit: str | None, *, is_xarray: bool) -> str:
    stated = grid.attrs.get("units")
    if stated is None:
        if unit is None and is_xarray:
            raise UnitError("the temperatures have no 'units' attribute; set it, or give unit=.")
        return temperature_unit(unit or "degC")
    found = temperature_unit(str(stated))
    if unit is not None and temperature_unit(unit) != found:
        raise UnitError(f"the temperatures are in {found}, but unit='{unit}' was given.")
    return found


def _whole_days(grid: xr.DataArray, dim: str, *, lines: bool) -> tuple[xr.DataArray, npt.NDArray[Any], int]:
    """Bring the readings to whole days, absent ones NaN, and return them with the days and readings per day."""
    stamps = grid[dim].to_numpy().astype("datetime64[s]")
    steps = np.diff(stamps).astype(np.int64)
    step = int(np.median(steps)) if steps.size else 3600
    odd = (steps <= 0) | (steps % max(step, 1) != 0)
    if step <= 0 or 86400 % step or np.any(odd) or int(stamps[0].astype(np.int64)) % step:
        k = int(np.argmax(odd)) if np.any(odd) else 0
        raise DataError(
            Problem(
                f"the readings do not go on in one step that divides the day (after {stamps[k]} comes "
                f"{stamps[min(k + 1, stamps.size - 1)]}).",
                "Accepted are times in order, each once, at one step from midnight on; absent readings may be left out.",
            )
        )
    first = stamps[0].astype("datetime64[D]")
    last = stamps[-1].astype("datetime64[D]")
    days = np.arange(first, last + np.timedelta64(1, "D"))
    per_day = 86400 // step
    count = days.size * per_day + (1 if lines else 0)
    wanted = first.astype("datetime64[s]") + np.arange(count) * np.timedelta64(step, "s")
    return grid.reindex({dim: wanted.astype("datetime64[ns]")}), days, per_day
