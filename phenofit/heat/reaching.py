"""The dates at which running heat sums reach the amounts asked for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from phenofit.deferred import deferred
from phenofit.errors import ModelError
from phenofit.heat.compiled.running_sums import as_slabs, reach_amounts
from phenofit.heat.time_lines import as_grid, calendar_of, on_lines, whole_lines
from phenofit.units import convert_degree_days, degree_day_unit, parse_degree_days

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
else:
    pd, xr = deferred("pandas"), deferred("xarray")

_SEASON = "season of the sum"  # apart from a dimension "season" that a biofix may bring


def dates_reaching(heat: Any, amounts: Any, *, dates: Any = None, dim: str = "time") -> Any:
    """Return when a running sum reaches each amount, with the fraction of the day.

    Parameters
    ----------
    heat : array_like, pandas.Series or xarray.DataArray
        Running sums to the end of each day [degC d or degF d], from :func:`phenofit.heat.accumulate`; chunked
        DataArrays stay lazy.
    amounts : float, str or sequence of these
        Heat asked for: numbers in the unit of `heat`, or texts such as ``"900 degF d"``; above 0.
    dates : array_like of dates, optional
        Days of an array along its last axis; needed for arrays only.
    dim : str
        Name of the time dimension of DataArrays.

    Returns
    -------
    array, pandas.Series or xarray.DataArray
        Date-times (datetime64[ns], to the second), NaT where an amount is not reached or the sum is unknown. The
        time dimension is replaced by ``amount`` (left out for a single number) and, where `heat` covers several
        seasons, ``season``. A Series gives a Series over the amounts (with the seasons as first level where there
        are several).

    Raises
    ------
    ModelError
        If an amount is not above 0, or the dates are absent.
    UnitError
        If a text has no degree-day unit.

    Notes
    -----
    Heat grows linearly within a day, so day d reaches the amount A at the fraction
    (A - H[d-1]) / (H[d] - H[d-1]) of the day; on the day of a biofix the growth begins at the biofix.

    Examples
    --------
    >>> days = np.arange("2024-05-01", "2024-05-04", dtype="datetime64[D]")
    >>> dates_reaching(np.array([4.0, 12.0, 12.0]), [6.0, 20.0], dates=days).astype("datetime64[m]").tolist()
    [datetime.datetime(2024, 5, 2, 6, 0), None]
    """
    grid = _heat_grid(heat, dates, dim)
    unit = degree_day_unit(str(grid.attrs.get("units", "degC d")))
    wanted, single = _amounts(amounts, unit)
    if "season" in grid.coords and "start" in grid["season"].dims:
        # Each start has seasons of its own; a season that only some of them know is NaT for the others.
        parts = [_reached(grid.isel(start=k), wanted, unit, dim) for k in range(grid.sizes["start"])]
        result = xr.concat(parts, dim=grid["start"], join="outer")
    else:
        result = _reached(grid, wanted, unit, dim)
    return _shaped(result, heat, grid.attrs, single=single)


def _reached(grid: xr.DataArray, wanted: npt.NDArray[np.float64], unit: str, dim: str) -> xr.DataArray:
    """Return the dates along ``amount`` and, where the sums have seasons, ``season``."""
    days = calendar_of(grid, dim)
    seasons, position = _positions(grid, dim)
    first = _beginnings(grid, days[0])

    def block(lines: npt.NDArray[Any], begins: npt.ArrayLike) -> npt.NDArray[Any]:
        shape = np.broadcast_shapes(lines.shape[:-1], np.shape(begins))
        slabs = as_slabs(np.broadcast_to(lines, (*shape, lines.shape[-1])))
        ends = (slabs.shape[0], slabs.shape[2])
        out = np.empty((*ends, seasons.size, wanted.size))
        start = np.ascontiguousarray(np.broadcast_to(begins, shape), dtype=np.float64).reshape(ends)
        reach_amounts(slabs, position, start, wanted, out)
        return _dates_of(out, days[0]).reshape(*shape, seasons.size, wanted.size)

    dtype = np.dtype("datetime64[ns]")
    alike = first.ndim == 0  # one beginning for all cells goes into each block
    result: xr.DataArray = xr.apply_ufunc(
        on_lines(block, dtype, (seasons.size, wanted.size)) if alike else block,
        whole_lines(grid, dim),
        first.item() if alike else first,
        input_core_dims=[[dim], []],
        output_core_dims=[[_SEASON, "amount"]],
        exclude_dims={dim},
        dask="allowed" if alike else "parallelized",
        output_dtypes=[dtype],
        dask_gufunc_kwargs={"output_sizes": {_SEASON: seasons.size, "amount": wanted.size}},
        join="exact",
    )
    result = result.assign_coords(amount=("amount", wanted, {"units": unit, "long_name": "heat asked for"}))
    if "season" in grid.coords and grid["season"].dims == (dim,):
        return result.rename({_SEASON: "season"}).assign_coords(season=seasons)
    return result.isel({_SEASON: 0})


def _heat_grid(heat: Any, dates: Any, dim: str) -> xr.DataArray:
    if isinstance(heat, xr.DataArray):
        return heat
    if isinstance(heat, pd.Series):
        return as_grid(heat, None, dim).assign_attrs(heat.attrs)
    if dates is None:
        raise ModelError("an array of sums needs dates=, its days.")
    return as_grid(np.asarray(heat, dtype=np.float64), dates, dim)


def _amounts(amounts: Any, unit: str) -> tuple[npt.NDArray[np.float64], bool]:
    single = isinstance(amounts, str) or np.ndim(amounts) == 0
    given = [amounts] if single else list(amounts)
    values = [
        convert_degree_days(parse_degree_days(a), "degC d", unit) if isinstance(a, str) else float(a)
        for a in given
    ]
    wrong = [str(g) for g, v in zip(given, values, strict=True) if not (np.isfinite(v) and v > 0.0)]
    if wrong or not values:
        raise ModelError(f"heat asked for must be above 0; found {', '.join(wrong) or 'nothing'}.")
    return np.array(values), single


def _positions(grid: xr.DataArray, dim: str) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Return the seasons of a sum and the index of each day among them; one season 0 where it has none."""
    if "season" not in grid.coords or grid["season"].dims != (dim,):
        return np.array([0]), np.zeros(grid.sizes[dim], dtype=np.int64)
    labels = grid["season"].to_numpy().astype(np.int64)
    seasons = np.unique(labels[labels >= 0])
    if seasons.size == 0:
        return np.array([0]), np.full(labels.shape, -1, dtype=np.int64)
    return seasons, np.where(labels >= 0, np.searchsorted(seasons, labels), -1).astype(np.int64)


def _beginnings(grid: xr.DataArray, origin: np.datetime64) -> xr.DataArray:
    if "biofix" not in grid.coords:
        return xr.DataArray(np.nan)
    stamps = grid["biofix"].to_numpy().astype("datetime64[ns]")
    elapsed = (stamps - origin.astype("datetime64[ns]")) / np.timedelta64(1, "D")
    return xr.DataArray(np.where(np.isnat(stamps), np.nan, elapsed), dims=grid["biofix"].dims)


def _dates_of(offsets: npt.NDArray[np.float64], origin: np.datetime64) -> npt.NDArray[np.datetime64]:
    seconds = np.rint(np.where(np.isnan(offsets), 0.0, offsets) * 86400.0).astype("timedelta64[s]")
    dates: npt.NDArray[np.datetime64] = origin.astype("datetime64[ns]") + seconds
    dates[np.isnan(offsets)] = np.datetime64("NaT")
    return dates


def _shaped(result: xr.DataArray, heat: Any, attributes: Mapping[Any, Any], *, single: bool) -> Any:
    if "season" in result.dims and result.sizes["season"] == 1 and "biofix" not in result.coords:
        result = result.isel(season=0)
    if single:
        result = result.isel(amount=0)
    result.name = "date"
    kept = {k: v for k, v in attributes.items() if k in ("method", "base", "upper", "cutoff", "start")}
    result.attrs = {"long_name": "date at which the heat sum reaches the amount", **kept}
    if isinstance(heat, xr.DataArray):
        return result
    if isinstance(heat, pd.Series):
        return result.to_series() if result.ndim else pd.Timestamp(result.item())
    return result.to_numpy()
