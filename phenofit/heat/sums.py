"""Running heat sums from a month-day, from several, or from a date of each place and year."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from phenofit.deferred import deferred
from phenofit.errors import ModelError
from phenofit.heat.compiled.running_sums import (
    OUTSIDE,
    UNKNOWN,
    as_slabs,
    from_slabs,
    sum_from_dates,
    sum_in_seasons,
)
from phenofit.heat.filled import filled_since
from phenofit.heat.time_lines import as_grid, calendar_of, on_lines, whole_lines
from phenofit.seasons import MonthDay, Season

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
else:
    pd, xr = deferred("pandas"), deferred("xarray")

Dates = npt.NDArray[np.datetime64]
Start = str | MonthDay | Season


def accumulate(
    daily: Any,
    *,
    start: Start | Sequence[Start] | None = None,
    biofix: Any = None,
    end: str | MonthDay | None = None,
    dates: Any = None,
    filled: Any = None,
    max_filled: float | None = None,
    longest_gap: float | None = None,
    dim: str = "time",
) -> Any:
    """Sum the heat of days from a start on.

    Parameters
    ----------
    daily : array_like, pandas.Series or xarray.DataArray
        Degree-days of each day [degC d or degF d], as :func:`phenofit.heat.degree_days` gives them; days along
        `dim` of a DataArray, down a Series with a date index, along the last axis of an array. The calendar must be
        complete.
    start : str, MonthDay, Season or a sequence of these, optional
        Month-day such as ``"03-01"`` at whose midnight every season's sum starts from 0 (a :class:`Season` brings
        its end with it). A sequence gives one sum for each, along the new first dimension ``start``.
    biofix : date or xarray.DataArray of dates, optional
        Time at which the sum begins, one for all or one for each place, year or both: a DataArray may have any
        dimensions of `daily` but `dim`, and further ones such as ``season``, which the result then has too. The
        day of the biofix counts for the part after it; a biofix without an hour is that day's midnight.
    end : str or MonthDay, optional
        Last day of a sum, included; by default a sum runs to the next start, or with a biofix to the end.
    dates : array_like of dates, optional
        Days of an array; needed where it has a start or a biofix.
    filled : like `daily`, bool, optional
        Days whose temperatures were filled rather than observed. Their share in each sum is then carried along
        as the coordinate ``filled_share`` of a DataArray.
    max_filled, longest_gap : float, optional
        Most filled days in a sum, and most in a row [d]; beyond either the sum is unknown from that day on.
    dim : str
        Name of the time dimension of DataArrays.

    Returns
    -------
    array, pandas.Series or xarray.DataArray
        Sum from the start to the *end* of each day, in the unit of `daily`: the sum at the midnight that begins
        a day is that of the day before. Within a day heat grows linearly: at the fraction f of day d the sum is
        ``H[d-1] + f (H[d] - H[d-1])``. NaN outside the season, before a biofix, and from the first missing day
        on, since a sum across a gap is unknown and never smaller; a season that began before the series is
        unknown throughout. DataArrays get the coordinate ``season`` (the year in which the season began) and
        the attribute ``start``.

    Raises
    ------
    ModelError
        If both a start and a biofix are given, or dates are needed and absent.
    DataError
        If the calendar is not complete.
    UnitError
        If a DataArray has no degree-day unit.

    Examples
    --------
    >>> accumulate(np.array([5.0, 7.0, np.nan, 4.0])).tolist()
    [5.0, 12.0, nan, nan]
    >>> days = pd.date_range("2023-12-30", periods=4)
    >>> accumulate(pd.Series([5.0, 7.0, 2.0, 4.0], index=days), start="12-31").tolist()
    [nan, 7.0, 9.0, 13.0]
    """
    if start is not None and biofix is not None:
        raise ModelError("give either a start by month-day or a biofix, not both.")
    grid = as_grid(daily, dates, dim)
    marks = None if filled is None else as_grid(filled, dates, dim)
    limits = (_limit(max_filled), _limit(longest_gap))
    if marks is None and np.isfinite(limits).any():
        raise ModelError("max_filled and longest_gap need filled=, the days that were filled.")
    if biofix is not None:
        result = _from_biofix(grid, biofix, end, marks, limits, dim)
    elif start is None or isinstance(start, str | MonthDay | Season):
        result = _in_seasons(grid, start, end, marks, limits, dim)
    else:
        sums = [_in_seasons(grid, one, end, marks, limits, dim) for one in start]
        names = xr.Variable("start", [str(_season_start(one)) for one in start])
        result = xr.concat(
            sums, dim=names, coords="different", compat="equals", combine_attrs="drop_conflicts"
        )
        if "season" in result.coords and result["season"].ndim == 1:
            result = result.assign_coords(season=result["season"].expand_dims(start=result["start"]))
        result.attrs["start"] = "several"
    return _back(result, daily)


def _back(result: xr.DataArray, daily: Any) -> Any:
    if isinstance(daily, xr.DataArray):
        return result
    if not isinstance(daily, pd.Series) or result.ndim > 1:
        return result.to_numpy()
    series = pd.Series(result.to_numpy(), index=daily.index, name="heat")
    series.attrs.update({**daily.attrs, **result.attrs})
    return series


def _limit(value: float | None) -> float:
    return float("inf") if value is None else float(value)


def _season_start(start: Start) -> MonthDay:
    if isinstance(start, Season):
        return start.start
    return start if isinstance(start, MonthDay) else MonthDay.parse(start)


def _season_numbers(days: Dates, start: Start, end: str | MonthDay | None) -> npt.NDArray[np.int64]:
    """Return the starting year of each day's season, or OUTSIDE, or UNKNOWN where it began before the series."""
    first = _season_start(start)
    last = start.end if end is None and isinstance(start, Season) else end
    years = days.astype("datetime64[Y]").astype(np.int64) + 1970
    begins = {int(y): first.in_year(int(y)) for y in range(int(years[0]) - 1, int(years[-1]) + 1)}
    this = np.array([begins[int(y)] for y in years])
    numbers = np.where(days >= this, years, years - 1)
    if last is not None:
        season = Season(first, last if isinstance(last, MonthDay) else MonthDay.parse(last))
        numbers = np.where(season.year_of(days) >= 0, numbers, OUTSIDE)
    early = [y for y in np.unique(numbers) if y >= 0 and begins[int(y)] < days[0]]
    numbers[np.isin(numbers, early)] = UNKNOWN
    return numbers.astype(np.int64)


def _in_seasons(
    grid: xr.DataArray,
    start: Start | None,
    end: str | MonthDay | None,
    marks: xr.DataArray | None,
    limits: tuple[float, float],
    dim: str,
) -> xr.DataArray:
    if start is None:
        if end is not None:
            raise ModelError("an end needs a start.")
        if dim in grid.coords and np.issubdtype(grid[dim].dtype, np.datetime64):
            text = str(calendar_of(grid, dim)[0])
        else:
            text = "first day"
        numbers = np.zeros(grid.sizes[dim], dtype=np.int64)
    else:
        numbers = _season_numbers(calendar_of(grid, dim), start, end)
        text = str(_season_start(start))

    def block(daily: npt.NDArray[Any], *filled: npt.NDArray[Any]) -> tuple[npt.NDArray[Any], ...]:
        slabs = as_slabs(daily)
        out = np.empty_like(slabs)
        given = as_slabs(filled[0].astype(bool), like=slabs) if filled else np.zeros((0, 0, 0), dtype=bool)
        share = np.empty(slabs.shape if filled else (0, 0, 0))
        sum_in_seasons(slabs, numbers, given, *limits, out, share)
        sums = from_slabs(out, daily.shape)
        return (sums, from_slabs(share, daily.shape)) if filled else (sums,)

    heat, *share = _along(block, grid, [] if marks is None else [marks], dim)
    if start is not None:
        heat = heat.assign_coords(season=(dim, numbers))
    if share:
        share[0].attrs = {"units": "1", "long_name": "share of filled days in the sum"}
        heat = heat.assign_coords(filled_share=share[0].variable)
    return _labelled(heat, grid, text)


def _along(block: Any, grid: xr.DataArray, more: list[xr.DataArray], dim: str) -> tuple[xr.DataArray, ...]:
    """Apply a block to whole time lines, lazily where the input is lazy, and keep the order of dimensions."""
    given = [whole_lines(part, dim) for part in (_as_float(grid), *more)]
    dtypes = [given[0].dtype] + [np.dtype(np.float64)] * len(more)
    single = len(dtypes) == 1
    days = (grid.sizes[dim],)
    result = xr.apply_ufunc(
        on_lines(lambda *a: block(*a)[0], dtypes[0], days) if single else block,
        *given,
        input_core_dims=[[dim]] * len(given),
        output_core_dims=[[dim]] * len(dtypes),
        dask="allowed" if single else "parallelized",
        output_dtypes=dtypes,
        join="exact",
    )
    parts = (result,) if single else result
    return tuple(part.transpose(*grid.dims) for part in parts)


def _as_float(grid: xr.DataArray) -> xr.DataArray:
    return grid if grid.dtype.kind == "f" else grid.astype(np.float64)


def _from_biofix(
    grid: xr.DataArray,
    biofix: Any,
    end: str | MonthDay | None,
    marks: xr.DataArray | None,
    limits: tuple[float, float],
    dim: str,
) -> xr.DataArray:
    days = calendar_of(grid, dim)
    given = biofix if isinstance(biofix, xr.DataArray) else xr.DataArray(np.datetime64(biofix, "ns"))
    stamps = given.to_numpy().astype("datetime64[ns]")
    first = given.copy(data=_offset(stamps, days[0]))
    last = given.copy(
        data=_offset(_ends(stamps, end), days[0]) if end is not None else np.full(stamps.shape, np.inf)
    )

    def block(daily: npt.NDArray[Any], begins: npt.NDArray[Any], stops: npt.NDArray[Any]) -> npt.NDArray[Any]:
        shape = np.broadcast_shapes(daily.shape[:-1], begins.shape)
        slabs = as_slabs(np.broadcast_to(daily, (*shape, daily.shape[-1])))
        out = np.empty_like(slabs)
        ends = (slabs.shape[0], slabs.shape[2])
        begin, stop = (
            np.ascontiguousarray(np.broadcast_to(part, shape)).reshape(ends) for part in (begins, stops)
        )
        sum_from_dates(slabs, begin, stop, out)
        return from_slabs(out, (*shape, daily.shape[-1]))

    line = whole_lines(_as_float(grid), dim)
    heat = xr.apply_ufunc(
        block,
        line,
        first,
        last,
        input_core_dims=[[dim], [], []],
        output_core_dims=[[dim]],
        dask="parallelized",
        output_dtypes=[line.dtype],
        join="exact",
    )
    order = (*(d for d in given.dims if d not in grid.dims), *grid.dims)
    heat = heat.transpose(*order)
    if marks is not None:
        share, beyond = filled_since(marks, first, limits, dim)
        heat = heat.where(~beyond.transpose(*order))
        share = share.transpose(*order).where(heat.notnull())
        share.attrs = {"units": "1", "long_name": "share of filled days in the sum"}
        heat = heat.assign_coords(filled_share=share.variable)
    heat = heat.assign_coords(biofix=given.astype("datetime64[ns]").variable)
    return _labelled(heat, grid, "biofix" if given.ndim else f"biofix {stamps.astype('datetime64[m]')}")


def _offset(stamps: npt.NDArray[Any], origin: np.datetime64) -> npt.NDArray[np.float64]:
    elapsed = stamps - origin.astype("datetime64[ns]")
    return np.where(np.isnat(stamps), np.nan, elapsed / np.timedelta64(1, "D"))


def _ends(stamps: npt.NDArray[Any], end: str | MonthDay) -> npt.NDArray[Any]:
    """Return the midnight after the first month-day `end` on or after each date."""
    wanted = end if isinstance(end, MonthDay) else MonthDay.parse(end)
    result = np.full(stamps.shape, np.datetime64("NaT", "ns"))
    for index in np.ndindex(stamps.shape):
        if np.isnat(stamps[index]):
            continue
        day = stamps[index].astype("datetime64[D]")
        year = int(str(day)[:4])
        last = wanted.in_year(year) if wanted.in_year(year) >= day else wanted.in_year(year + 1)
        result[index] = last + np.timedelta64(1, "D")
    return result


def _labelled(heat: xr.DataArray, grid: xr.DataArray, start: str) -> xr.DataArray:
    heat.name = "heat"
    heat.attrs = {**grid.attrs, "start": start}
    if "long_name" in heat.attrs:
        heat.attrs["long_name"] = (
            str(heat.attrs["long_name"]).replace("degree-days", "heat sum", 1) + f", from {start}"
        )
    return heat
