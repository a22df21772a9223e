"""The date of an event in every cell of a temperature grid, block by block into a Zarr store; a stopped run can be continued.

The store grows in a folder whose name ends with ``.part``, beside a list of the blocks that are finished. When all are,
it moves to its place.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import shutil
from collections.abc import Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ThreadPoolExecutor, wait
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import xarray as xr

from phenofit.errors import DataError, ModelError, Problem
from phenofit.files import phenofit_version
from phenofit.heat.compiled.threads import processors
from phenofit.heat.grids import block_sizes, grid_variables, need_dask
from phenofit.heat.time_lines import calendar_of
from phenofit.maps.cell_dates import CellDates
from phenofit.output_folder import run_id
from phenofit.output_folder.lock import LOCK_NAME, lock_folder, unlock_folder
from phenofit.progress import Progress
from phenofit.units import temperature_unit, to_celsius

if TYPE_CHECKING:
    from phenofit.flight import FlightFit

_STORE, _FINISHED = "map.zarr", "finished-blocks.txt"
_LEVEL, _DRAWS = 0.8, 60
# Cells times days in one block: some 400 MB of it in memory for each worker.
_BLOCK = 20_000_000
_AHEAD = 2  # Blocks that wait for each worker: it never waits for the next one, and memory stays small.

Block = tuple[tuple[str, int, int], ...]  # Of each dimension of space: its name, and the first and last cell.
Fields = dict[str, npt.NDArray[np.float32]]


def grid_date_map(
    fit: FlightFit,
    grid: str | os.PathLike[str],
    out: str | os.PathLike[str],
    *,
    event: str = "flight_50",
    flight: int = 1,
    year: int | None = None,
    seed: int = 1,
    executor: Executor | None = None,
    progress: Progress | None = None,
    attributes: Mapping[str, str] | None = None,
) -> xr.Dataset:
    """Map when an event happens in every cell of a temperature grid that may be larger than memory.

    Parameters
    ----------
    fit : FlightFit
        Base, requirement and their uncertainty.
    grid : path-like
        NetCDF file or Zarr store with daily ``tmin`` and ``tmax`` (or two variables that CF calls minimum and
        maximum ``air_temperature``) in degC, degF or kelvin, for this season and earlier ones.
    out : path-like
        Zarr store to write. Until all is done it is in the folder ``OUT.part``; the same call continues from there.
    event : str
        Such as ``"flight_50"``.
    flight : int
        Flight, counted from 1.
    year : int, optional
        Starting year of the season; by default the last one in the weather.
    seed : int
        Seed of the draws.
    executor : concurrent.futures.Executor, optional
        Where blocks are computed; by default on the threads of this machine. Workers elsewhere must see `grid` at the
        same path. The result does not depend on it.
    progress : callable, optional
        Gets a sentence after each block.
    attributes : mapping of str to str, optional
        More global attributes of the store.

    Returns
    -------
    Dataset
        The store, opened lazily: the fields of :func:`phenofit.maps.date_map` on the cells of `grid`.

    Raises
    ------
    DataError
        If the grid cannot be read, lacks days, or `out` belongs to another call or is being written.
    ModelError
        As :func:`phenofit.maps.date_map`.
    MissingExtraError
        If the packages of the extra ``dask`` are not installed.

    Notes
    -----
    Days to come and the average are as in :func:`phenofit.maps.date_map`; temperatures are those of the cell.
    """
    need_dask("zarr", "writing a Zarr store")
    target = Path(out)
    low, high = grid_variables(grid)
    days = calendar_of(low)
    _check_alike(low, high)
    asked = CellDates.of(
        fit, days, event=event, flight=flight, year=year, level=_LEVEL, draws=_DRAWS, seed=seed
    )
    template = _template(low, asked, days)
    template.attrs |= {"seed": seed, **(attributes or {})}
    blocks = _blocks(low)
    part = target.with_name(target.name + ".part")
    stream = lock_folder(part)
    if stream is None:
        remedy = "Wait until it has ended, or choose another name with --out."
        raise DataError(Problem("another run of phenofit is writing this map.", remedy, str(target)))
    try:
        finished = _started(part, template, _identity(fit, grid, template, blocks))
        todo = [block for block in blocks if block not in finished]
        _compute(part, str(grid), asked, todo, len(blocks), executor, progress)
        if target.exists():
            shutil.rmtree(target)
        (part / _STORE).rename(target)
        (part / _FINISHED).unlink()
    finally:
        unlock_folder(part, stream)
        with contextlib.suppress(OSError):  # it holds an unfinished map
            part.rmdir()
    store: xr.Dataset = xr.open_zarr(target)
    return store


def _check_alike(low: xr.DataArray, high: xr.DataArray) -> None:
    """Refuse variables without units, and two that do not lie on the same cells and days."""
    for values in (low, high):
        if "units" not in values.attrs:
            raise ModelError(f"'{values.name}' of the grid has no 'units' attribute: degC, degF or kelvin.")
        temperature_unit(str(values.attrs["units"]))
    if dict(low.sizes) != dict(high.sizes):
        raise ModelError(
            f"'{low.name}' has the dimensions {dict(low.sizes)}, '{high.name}' has {dict(high.sizes)}; both need the "
            "same cells and days."
        )


def _template(low: xr.DataArray, asked: CellDates, days: npt.NDArray[np.datetime64]) -> xr.Dataset:
    """Return the whole map without values, in the blocks of the input."""
    import dask.array as da

    space = [d for d in low.dims if d != "time"]
    sizes = block_sizes(low, "time", _BLOCK)
    shape = [low.sizes[d] for d in space]
    mapping = low.attrs.get("grid_mapping") or low.encoding.get("grid_mapping")
    kept = [name for name, coord in low.coords.items() if "time" not in coord.dims]
    dataset = xr.Dataset(coords={name: low.coords[name].load() for name in kept}).drop_encoding()
    for name, (text, unit) in asked.field_words().items():
        empty = da.full(  # type: ignore[no-untyped-call]
            shape, np.float32(np.nan), dtype=np.float32, chunks=[sizes[d] for d in space]
        )
        words = {"long_name": text, "units": unit}
        if mapping in low.coords:
            words["grid_mapping"] = str(mapping)
        dataset[name] = (space, empty, words)
    dataset.attrs = {
        "Conventions": "CF-1.11",
        "source": f"phenofit {phenofit_version()}",
        **asked.attributes(),
        "weather_until": str(min(days[-1], asked.season.last_day(asked.year))),
        "interpolation": "not interpolated, the cells are those of the weather grid",
    }
    return dataset


def _blocks(low: xr.DataArray) -> list[Block]:
    """Return the blocks of a grid, as the chunks of its map are."""
    sizes = block_sizes(low, "time", _BLOCK)
    parts = [
        [(str(d), k, min(k + sizes[d], low.sizes[d])) for k in range(0, low.sizes[d], sizes[d])]
        for d in low.dims
        if d != "time"
    ]
    return list(itertools.product(*parts))


def _identity(fit: FlightFit, grid: str | os.PathLike[str], template: xr.Dataset, blocks: list[Block]) -> str:
    """Return what must be the same in a stopped run and in the run that continues it."""
    source = Path(grid)
    # A store of many files is as old as its list of contents.
    listed = next((p for p in (source / ".zmetadata", source / "zarr.json", source) if p.exists()), source)
    facts = {"grid": str(source.resolve()), "time": str(listed.stat().st_mtime_ns), "fit": fit.to_json()}
    return run_id("map --dates --grid", inputs=facts, settings={**template.attrs, "blocks": len(blocks)})


def _started(part: Path, template: xr.Dataset, identity: str) -> set[Block]:
    """Return the blocks that an earlier run has finished; begin the store where there is none."""
    journal = part / _FINISHED
    if not journal.exists():
        if any(one.name != LOCK_NAME for one in part.iterdir()):
            remedy = "Delete it, or choose another name with --out."
            raise DataError(
                Problem("this is not an unfinished map that a run can continue.", remedy, str(part))
            )
        encoding = {str(name): {"_FillValue": np.nan} for name in template.data_vars}
        template.to_zarr(
            part / _STORE, mode="w", compute=False, zarr_format=2, consolidated=True, encoding=encoding
        )
        journal.write_text(identity + "\n", encoding="utf-8")
        return set()
    first, *lines = journal.read_text(encoding="utf-8").split("\n")
    if first != identity:
        remedy = "Delete it, or choose another name with --out."
        finding = "this is the unfinished map of another call (other fit, grid, event, season or version)."
        raise DataError(Problem(finding, remedy, str(part)))
    # If the run was killed while it wrote a line, that line has no end: the last part is then not a block.
    return {tuple((str(d), int(a), int(b)) for d, a, b in json.loads(line)) for line in lines[:-1]}


def _compute(
    part: Path,
    grid: str,
    asked: CellDates,
    blocks: list[Block],
    total: int,
    executor: Executor | None,
    progress: Progress | None,
) -> None:
    """Compute blocks and write each as soon as it is there."""
    say = progress or (lambda _text: None)
    done = total - len(blocks)
    if done:
        say(f"going on after {done} blocks that were finished ({done} of {total})")
    own = executor is None
    pool = ThreadPoolExecutor(processors()) if executor is None else executor
    try:
        for block, fields in _answers(pool, grid, asked, blocks, ahead=_AHEAD * _workers(pool)):
            names = [d for d, _, _ in block]
            region = {d: slice(a, b) for d, a, b in block}
            xr.Dataset({name: (names, values) for name, values in fields.items()}).to_zarr(
                part / _STORE, region=region, consolidated=False
            )
            with (part / _FINISHED).open("a", encoding="utf-8") as stream:
                stream.write(json.dumps(block) + "\n")
            done += 1
            say(f"block written ({done} of {total})")
    finally:
        if own:
            pool.shutdown(cancel_futures=True)


def _workers(pool: Executor) -> int:
    client = getattr(pool, "_client", None)
    return (
        sum(client.nthreads().values()) if client is not None else getattr(pool, "_max_workers", processors())
    )


def _answers(
    pool: Executor, grid: str, asked: CellDates, blocks: list[Block], *, ahead: int
) -> Iterator[tuple[Block, Fields]]:
    """Give the fields of each block as they come, with few blocks under way at a time."""
    left = iter(blocks)
    running: dict[Future[Fields], Block] = {}
    try:
        while True:
            for block in itertools.islice(left, ahead - len(running)):
                running[pool.submit(_answer, grid, asked, block)] = block
            if not running:
                return
            finished, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in finished:
                yield running.pop(future), future.result()
    finally:
        for future in running:
            future.cancel()


@lru_cache(maxsize=2)
def _opened(grid: str) -> tuple[xr.DataArray, xr.DataArray]:
    return grid_variables(grid)


def _answer(grid: str, asked: CellDates, block: Block) -> Fields:
    """Return the fields of one block, computed where this is called."""
    part = {d: slice(a, b) for d, a, b in block}
    variables = _opened(grid)
    days = calendar_of(variables[0])
    shape = tuple(b - a for _, a, b in block)
    low, high = (_cells(one.isel(part), [d for d, _, _ in block]) for one in variables)
    fields = asked.fields(low, high, days)
    return {name: values.reshape(shape).astype(np.float32) for name, values in fields.items()}


def _cells(values: xr.DataArray, space: list[str]) -> npt.NDArray[np.floating]:
    """Return temperatures of shape (cells, days) [degC], as precise as they are stored."""
    table = values.transpose("time", *space).to_numpy()
    return np.asarray(
        to_celsius(table.reshape(len(table), -1).T, temperature_unit(str(values.attrs["units"])))
    )
