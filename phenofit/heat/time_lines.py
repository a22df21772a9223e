"""Whole time lines of arrays: their calendar, and work on them block by block where they are lazy."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import numpy.typing as npt

from phenofit.deferred import deferred
from phenofit.errors import DataError, ModelError, Problem, UnitError
from phenofit.units import degree_day_unit

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
else:
    pd, xr = deferred("pandas"), deferred("xarray")

Dates = npt.NDArray[np.datetime64]
Block = Callable[..., npt.NDArray[Any]]


def calendar_of(values: xr.DataArray, dim: str = "time") -> Dates:
    """Return the days of a DataArray, refusing a calendar that is not complete."""
    if dim not in values.coords:
        raise ModelError(f"the days are needed: there is no coordinate '{dim}' of dates.")
    stamps = values[dim].to_numpy()
    if not np.issubdtype(stamps.dtype, np.datetime64):
        raise ModelError(
            f"the coordinate '{dim}' holds {stamps.dtype}, not dates of the standard calendar; convert them first."
        )
    days = stamps.astype("datetime64[D]")
    steps = np.diff(days.astype(np.int64))
    if np.any(steps != 1):
        k = int(np.argmax(steps != 1))
        remedy = "Sums need every day once and in order: bring the series to a complete calendar, missing days NaN."
        raise DataError(Problem(f"after {days[k]} comes {days[k + 1]}.", remedy))
    return cast(Dates, days)


def as_grid(values: Any, dates: Any, dim: str) -> xr.DataArray:
    """Return values of days as a DataArray, with the days as its coordinate where they are known."""
    if isinstance(values, xr.DataArray):
        if dim not in values.dims:
            raise ModelError(
                f"there is no dimension '{dim}' to sum over; found {', '.join(map(str, values.dims))}."
            )
        if values.dtype.kind == "f":
            if "units" not in values.attrs:
                raise UnitError("the daily heat has no 'units' attribute; set it to 'degC d' or 'degF d'.")
            degree_day_unit(str(values.attrs["units"]))
        return values
    if isinstance(values, pd.Series):
        return xr.DataArray(values.to_numpy(), dims=dim, coords={dim: values.index.to_numpy()})
    array = np.asarray(values)
    names = [f"axis{k}" for k in range(array.ndim - 1)] + [dim]
    coords = {} if dates is None else {dim: np.asarray(dates, dtype="datetime64[ns]")}
    return xr.DataArray(array, dims=names, coords=coords)


def whole_lines(grid: xr.DataArray, dim: str) -> xr.DataArray:
    """Return a lazy DataArray with all days in one chunk; another unchanged."""
    return grid if grid.chunks is None else grid.chunk({dim: -1})


def on_lines(block: Block, dtype: np.dtype[Any], tail: tuple[int, ...]) -> Callable[..., Any]:
    """Return a function of arrays with days last that gives arrays with `tail` in their place.

    Blocks of a lazy first array keep their layout in memory. A general rule for core dimensions would copy each of
    them with days last, because a grid is stored day after day.
    """

    def applied(lines: Any, *more: Any) -> Any:
        if isinstance(lines, np.ndarray):
            return block(lines, *more)
        import dask.array as da

        chunks = (*lines.chunks[:-1], *((size,) for size in tail))
        new = list(range(lines.ndim, lines.ndim - 1 + len(tail)))
        return da.map_blocks(  # type: ignore[no-untyped-call]
            block,
            lines,
            *more,
            dtype=dtype,
            chunks=chunks,
            new_axis=new or None,
            meta=np.empty((0,) * (lines.ndim - 1 + len(tail)), dtype),
        )

    return applied
