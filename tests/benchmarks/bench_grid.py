"""Heat of a season on a grid of continental size, and the date of a flight in every cell of a region, beside reading once.

The first grid is an uncompressed NetCDF file in a temporary folder, about 2.6 GB at full size; the second one a Zarr
store of ten years, about 1 GB.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import xarray as xr

from tests.benchmarks.measured import Row, against, best

GRID, SMALL_GRID = (621, 1405, 365), (60, 140, 365)
REGION, SMALL_REGION = (160, 200), (40, 40)


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
            region_row(Path(folder), SMALL_REGION if small else REGION),
        ]


def region_row(folder: Path, cells: tuple[int, int]) -> Row:
    """Measure the date of a flight in every cell: the season of 2023 beside nine earlier ones, 60 draws."""
    from phenofit.maps import grid_date_map
    from tests.calls import fit_flights
    from tests.flight.networks import SEASON, network

    net = network(sites=8, years=5)
    fit = fit_flights(net.trap_years, net.weather, net.links, season=SEASON, profiles=False)
    days = np.arange("2014-01-01", "2024-01-01", dtype="datetime64[D]").astype("datetime64[ns]")
    phase = (days - days[0]) / np.timedelta64(1, "D") - 15.0
    warmth = (11.0 - 11.0 * np.cos(2.0 * np.pi * phase / 365.25)).astype("f4")
    rng = np.random.default_rng(3)
    source = folder / "region.zarr"
    for y in range(0, cells[0], 40):  # a band at a time, so that the memory of the map can be seen
        mean = warmth[:, None, None] + rng.normal(0.0, 2.0, (days.size, 40, cells[1])).astype("f4")
        band = {
            name: (("time", "y", "x"), mean + by, {"units": "degC"})
            for name, by in (("tmin", -6.0), ("tmax", 6.0))
        }
        chunked = xr.Dataset(band, {"time": days}).chunk({"time": -1, "y": 40, "x": 40})
        chunked.to_zarr(source, mode="a", zarr_format=2, append_dim="y" if y else None)

    def read() -> None:
        low, high = (xr.open_zarr(source, chunks=None)[name] for name in ("tmin", "tmax"))
        for y in range(0, cells[0], 40):
            for part in (low, high):
                part.isel(y=slice(y, y + 40)).max("time").load()

    name = f"date of a flight, {cells[0]} x {cells[1]} cells, 10 years"
    seconds = best(lambda: grid_date_map(fit, source, folder / "dates.zarr"), 1)
    return against(name, seconds, "reading the store once", best(read, 1))
