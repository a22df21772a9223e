"""Write station weather as one CF NetCDF file, whole or not at all."""

from __future__ import annotations

import os

import numpy as np
import xarray as xr

from phenofit.errors import DataError, Problem
from phenofit.files import writing


def write_weather(weather: xr.Dataset, path: str | os.PathLike[str]) -> None:
    """Write station weather to NetCDF; :func:`phenofit.weather.read_weather` reads it back equal.

    Parameters
    ----------
    weather : xarray.Dataset
        Daily station weather: ``tmin`` and ``tmax`` [degC] on (station, time).
    path : path-like
        Where to; must end in ``.nc``.

    Raises
    ------
    DataError
        If the name does not end in ``.nc``.
    """
    if not os.fspath(path).endswith(".nc"):
        raise DataError(
            Problem("the name of a NetCDF file must end in .nc.", "Choose such a name.", os.fspath(path))
        )
    encoding: dict[str, dict[str, object]] = {
        name: {"zlib": True, "complevel": 4, "shuffle": True, "_FillValue": np.nan}
        for name in ("tmin", "tmax")
    }
    encoding |= {name: {"zlib": True, "complevel": 4} for name in ("source", "flag")}
    first = str(weather["time"].values[0])[:10]
    encoding["time"] = {"units": f"days since {first}", "calendar": "standard", "dtype": "int32"}
    with writing(path) as temporary:
        weather.to_netcdf(temporary, engine="netcdf4", encoding=encoding)
