"""Temperature grids from NetCDF or Zarr to maps of heat sums and dates, block by block, on one machine or many."""

from __future__ import annotations

import importlib.util
import math
import os
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from phenofit.errors import DataError, MissingExtraError, ModelError, Problem
from phenofit.files import writing
from phenofit.heat.daily import degree_days
from phenofit.heat.reaching import dates_reaching
from phenofit.heat.sums import accumulate

# Cells times days in one block: two inputs and two outputs of it in float32, on each processor, stay small.
_BLOCK = 4_000_000
_ENDINGS = (".nc", ".nc4", ".cdf", ".zarr")
_CONVENTIONS = "CF-1.11"


def is_grid(path: str | os.PathLike[str]) -> bool:
    """Return whether a path names a NetCDF file or a Zarr store, by its ending."""
    return Path(path).suffix.lower() in _ENDINGS


def open_grid(
    path: str | os.PathLike[str],
    *,
    tmin: str | None = None,
    tmax: str | None = None,
    dim: str = "time",
    block: int = _BLOCK,
) -> tuple[xr.DataArray, xr.DataArray]:
    """Open the daily minima and maxima of a grid, lazily, in blocks that hold the whole time axis."""
    need_dask("dask", "summing a grid")
    low, high = grid_variables(path, tmin=tmin, tmax=tmax, dim=dim)
    chunks = block_sizes(low, dim, block)
    return low.chunk(chunks), high.chunk(chunks)


def grid_variables(
    path: str | os.PathLike[str], *, tmin: str | None = None, tmax: str | None = None, dim: str = "time"
) -> tuple[xr.DataArray, xr.DataArray]:
    """Open the daily minima and maxima of a grid; a part is read when it is taken."""
    source = Path(path)
    if not source.exists():
        raise DataError(Problem("there is no such file.", "Give a NetCDF file or a Zarr store.", str(path)))
    if source.suffix.lower() == ".zarr":
        need_dask("zarr", "reading a Zarr store")
        dataset = xr.open_zarr(source, chunks=None)
    else:
        try:
            dataset = xr.open_dataset(source, engine="netcdf4")
        except (OSError, ValueError) as fault:
            raise DataError(
                Problem(f"the file cannot be read as NetCDF ({fault}).", "Give a whole file.", str(path))
            ) from fault
    low, high = (
        _variable(dataset, wanted, default, word, str(path))
        for wanted, default, word in ((tmin, "tmin", "minimum"), (tmax, "tmax", "maximum"))
    )
    if dim not in low.dims:
        finding = f"'{low.name}' has the dimensions {', '.join(map(str, low.dims))}."
        raise DataError(Problem(finding, f"One of them must be '{dim}', the days.", str(path)))
    return low, high


def _variable(dataset: xr.Dataset, wanted: str | None, default: str, word: str, path: str) -> xr.DataArray:
    if wanted is not None or default in dataset:
        name = wanted or default
        if name in dataset:
            return dataset[name]
        raise DataError(
            Problem(
                f"there is no variable '{name}'.", f"Found: {', '.join(map(str, dataset.data_vars))}.", path
            )
        )
    hits = [
        v
        for v in dataset.data_vars.values()
        if v.attrs.get("standard_name") == "air_temperature" and word in str(v.attrs.get("cell_methods", ""))
    ]
    if len(hits) != 1:
        finding = f"no variable is named '{default}', and {len(hits)} are an air_temperature with the cell method {word}."
        remedy = f"Name the one that is meant; found: {', '.join(map(str, dataset.data_vars))}."
        raise DataError(Problem(finding, remedy, path))
    return hits[0]


def block_sizes(values: xr.DataArray, dim: str, block: int = _BLOCK) -> dict[Any, int]:
    """Return chunk sizes: all days, and as many cells as a block may hold: whole stored chunks, whole rows of them first."""
    stored = values.encoding.get("preferred_chunks", {})
    space = [d for d in values.dims if d != dim]
    cells = max(1, block // max(1, values.sizes[dim]))
    steps = {d: min(values.sizes[d], int(stored.get(d, 1))) for d in space}
    if math.prod(steps.values()) > cells:
        steps = dict.fromkeys(space, 1)  # A stored chunk does not fit; it is read several times.
    left = cells // math.prod(steps.values())
    chunks: dict[Any, int] = {dim: -1}
    for name in reversed(space):
        number = max(1, min(-(-values.sizes[name] // steps[name]), left))
        chunks[name] = min(values.sizes[name], number * steps[name])
        left //= number
    return chunks


def running_maps(
    tmin: xr.DataArray, tmax: xr.DataArray, *, start: str, end: str | None = None, **heat: Any
) -> xr.Dataset:
    """Return the running sum of every day on a grid."""
    sums = accumulate(degree_days(tmin, tmax, **heat), start=start, end=end)
    return _described(sums.to_dataset(name="heat"), tmin)


def heat_maps(
    tmin: xr.DataArray,
    tmax: xr.DataArray,
    *,
    amounts: Sequence[float | str] = (),
    start: str,
    end: str | None = None,
    dim: str = "time",
    **heat: Any,
) -> xr.Dataset:
    """Return the sum of each season and the dates of the amounts asked for, on a grid."""
    sums = accumulate(degree_days(tmin, tmax, dim=dim, **heat), start=start, end=end, dim=dim)
    numbers = sums["season"].to_numpy()
    seasons = np.unique(numbers[numbers >= 0])
    if seasons.size == 0:
        raise DataError(
            f"no season that starts on {start} begins within {np.datetime_as_string(sums[dim].to_numpy()[0], 'D')} to "
            f"{np.datetime_as_string(sums[dim].to_numpy()[-1], 'D')}; a sum that began before the series is not known."
        )
    last = [int(np.flatnonzero(numbers == year)[-1]) for year in seasons]
    final = sums.isel({dim: xr.DataArray(last, dims="season")}).rename({dim: "until"})
    result = final.assign_coords(season=seasons).to_dataset(name="heat")
    if len(amounts):
        dates = dates_reaching(sums, list(amounts), dim=dim)
        if "season" not in dates.dims:
            dates = dates.expand_dims("season")
        result["date"] = dates
    space = [d for d in tmin.dims if d != dim]
    return _described(result.transpose("season", ..., *space), tmin)


def _described(dataset: xr.Dataset, source: xr.DataArray) -> xr.Dataset:
    dataset.attrs = {"Conventions": _CONVENTIONS, "title": "degree-days on a grid"}
    mapping = source.attrs.get("grid_mapping") or source.encoding.get("grid_mapping")
    for name in dataset.data_vars:
        if mapping in dataset.coords:
            dataset[name].attrs["grid_mapping"] = str(mapping)
    if "season" in dataset.coords:
        dataset["season"].attrs = {"long_name": "year in which the season began"}
    if "until" in dataset.coords:
        dataset["until"].attrs = {"long_name": "last day in the sum"}
    return dataset


def write_grid(dataset: xr.Dataset, path: str | os.PathLike[str]) -> None:
    """Compute a lazy dataset and write it, whole or not at all."""
    ending = Path(path).suffix.lower()
    if ending not in _ENDINGS:
        raise ModelError(f"the form of '{path}' is not known; accepted endings are {', '.join(_ENDINGS)}.")
    if ending == ".zarr":
        need_dask("zarr", "writing a Zarr store")
        _write_zarr(dataset, Path(path))
        return
    if "time" in dataset["heat"].dims:
        raise ModelError(
            "running sums of every day are written chunk by chunk and need a Zarr store: end the output with .zarr."
        )
    whole = dataset.compute()
    with writing(path) as temporary:
        whole.to_netcdf(temporary, engine="netcdf4", encoding=_encoding(whole, compressed=True))


def _encoding(dataset: xr.Dataset, *, compressed: bool) -> dict[Any, dict[str, object]]:
    encoding: dict[Any, dict[str, object]] = {}
    for name, values in dataset.variables.items():
        if np.issubdtype(values.dtype, np.datetime64):
            fill = {"_FillValue": np.nan} if name in dataset.data_vars else {"_FillValue": None}
            encoding[name] = {
                "units": "seconds since 1970-01-01",
                "calendar": "standard",
                "dtype": "float64",
                **fill,
            }
        elif name in dataset.data_vars:
            encoding[name] = {"_FillValue": np.nan}
        if compressed and name in dataset.data_vars:
            encoding[name] |= {"zlib": True, "complevel": 4}
    return encoding


def _write_zarr(dataset: xr.Dataset, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    beside = Path(tempfile.mkdtemp(prefix=f".{target.stem}-", suffix=".zarr", dir=target.parent))
    try:
        dataset.drop_encoding().to_zarr(
            beside, mode="w", encoding=_encoding(dataset, compressed=False), zarr_format=2, consolidated=True
        )
        beside.chmod(0o755)
        if target.exists():
            shutil.rmtree(target)
        beside.rename(target)
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def need_dask(package: str, purpose: str) -> None:
    """Refuse work that needs a package of the extra ``dask`` which is not installed."""
    if importlib.util.find_spec(package) is None:
        raise MissingExtraError(package, "dask", purpose)
