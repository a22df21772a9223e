"""Heat and dates of a season on a grid of continental size, beside reading its file once.

The grid is read from an uncompressed NetCDF file in a temporary folder, which needs about 2.6 GB at full size.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import xarray as xr

from tests.benchmarks.measured import Row, against, best

GRID, SMALL_GRID = (621, 1405, 365), (60, 140, 365)


def write_invented_grid(path: Path, shape: tuple[int, int, int]) -> None:
    """Write an invented year of a grid, time first, slab by slab."""
    import netCDF4

    rows, columns, count = shape
    rng = np.random.default_rng(2)
    with netCDF4.Dataset(path, "w") as file:
        for name, size in (("time", count), ("y", rows), ("x", columns)):
            file.createDimension(name, size)
        stamp = file.createVariable("time", "i4", ("time",))
        stamp.units, stamp.calendar = "days since 2023-01-01", "standard"
        stamp[:] = np.arange(count)
        parts = [file.createVariable(name, "f4", ("time", "y", "x")) for name in ("tmin", "tmax")]
        for part in parts:
            part.units = "degC"
        noise = rng.normal(0.0, 3.0, (rows, columns)).astype("f4")
        for d in range(count):
            warmth = 11.0 - 11.0 * np.cos(2.0 * np.pi * (d - 15) / 365.0)
            parts[0][d] = warmth - 6.0 + np.roll(noise, d, axis=1)
            parts[1][d] = warmth + 6.0 + np.roll(noise, d, axis=1)


def rows(*, small: bool) -> list[Row]:
    """Measure sums and dates over a grid, with upper threshold and four amounts."""
    from phenofit.heat.grids import heat_maps, open_grid

    shape = SMALL_GRID if small else GRID
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "grid.nc"
        write_invented_grid(path, shape)

        def read() -> None:
            low, high = open_grid(path)
            xr.Dataset({"a": low.max("time"), "b": high.max("time")}).compute()

        def work() -> None:
            amounts = [100.0, 250.0, 500.0, 900.0]
            heat_maps(*open_grid(path), amounts=amounts, start="01-01", base=10.0, upper=30.0).compute()

        first = best(work, 1)
        reading = best(read, 2)
        name = "season of {} x {} cells and {} days".format(*shape)
        return [
            Row(f"{name}, first time", first),
            against(name, best(work, 2), "reading the file once", reading),
        ]
