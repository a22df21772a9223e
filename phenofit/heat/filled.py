"""Filled days in sums that begin at a biofix: their share, and where there are too many."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from phenofit.deferred import deferred

if TYPE_CHECKING:
    import xarray as xr
else:
    xr = deferred("xarray")


def filled_since(
    filled: xr.DataArray, begins: xr.DataArray, limits: tuple[float, float], dim: str
) -> tuple[xr.DataArray, xr.DataArray]:
    """Return the share of filled days since each start, and where a limit is passed."""
    most, longest = limits

    def block(marks: npt.NDArray[Any], start: npt.NDArray[Any]) -> tuple[npt.NDArray[Any], ...]:
        day = np.arange(marks.shape[-1])
        inside = day >= np.floor(start)[..., None]  # False throughout where the start is NaN
        counted = marks.astype(bool) & inside
        count = np.cumsum(counted, axis=-1)
        elapsed = np.cumsum(inside, axis=-1)
        before_run = np.maximum.accumulate(np.where(counted, 0, count), axis=-1)
        beyond = np.maximum.accumulate((count > most) | (count - before_run > longest), axis=-1)
        return np.where(inside, count / np.maximum(elapsed, 1), np.nan), beyond

    share, beyond = xr.apply_ufunc(
        block,
        filled.chunk({dim: -1}) if filled.chunks is not None else filled,
        begins,
        input_core_dims=[[dim], []],
        output_core_dims=[[dim], [dim]],
        dask="parallelized",
        output_dtypes=[np.float64, np.bool_],
        join="exact",
    )
    return share, beyond
