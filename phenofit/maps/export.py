"""Maps as files for other programs: CF NetCDF, GeoTIFF, GeoJSON."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from phenofit.errors import MissingExtraError, ModelError
from phenofit.files import write_text, writing
from phenofit.maps.projection import Plane, need_pyproj

_BANDS = ("mean_error", "mean_error_se", "expected_rmse", "information", "supported", "next_trap_gain")


def plane_of(dataset: xr.Dataset) -> Plane:
    """Return the projection of a map from its grid mapping."""
    pyproj = need_pyproj()
    if "crs" not in dataset or "crs_wkt" not in dataset["crs"].attrs:
        raise ModelError("this dataset is not a map: it has no grid mapping 'crs'.")
    system = pyproj.CRS.from_wkt(dataset["crs"].attrs["crs_wkt"])
    return Plane(system, pyproj.Transformer.from_crs("EPSG:4326", system, always_xy=True))


def write_error_map(dataset: xr.Dataset, path: str | Path) -> None:
    """Write a map as NetCDF."""
    encoding: dict[str, dict[str, object]] = {
        str(name): {"zlib": True, "complevel": 4}
        for name, variable in dataset.variables.items()
        if variable.dims[-2:] == ("y", "x") and variable.dtype.kind in "fi"
    }
    with writing(path) as temporary:
        dataset.to_netcdf(temporary, format="NETCDF4", engine="netcdf4", encoding=encoding)


def write_geotiff(dataset: xr.Dataset, path: str | Path) -> None:
    """Write the cells of a map as a GeoTIFF, a band per variable."""
    try:
        import rasterio  # type: ignore[import-untyped]
        from rasterio.transform import Affine  # type: ignore[import-untyped]
    except ImportError:
        raise MissingExtraError("rasterio", "maps", "writing a GeoTIFF") from None
    bands = [name for name in _BANDS if name in dataset]
    if not bands:
        bands = [str(n) for n, v in dataset.data_vars.items() if v.dims == ("y", "x") and v.dtype.kind == "f"]
    if not bands:
        raise ModelError("this dataset has no cells to write.")
    west, width, _, north, _, height = map(float, dataset["crs"].attrs["GeoTransform"].split())
    profile: dict[str, object] = {
        "driver": "GTiff",
        "dtype": "float32",
        "nodata": float("nan"),
        "count": len(bands),
        "height": dataset.sizes["y"],
        "width": dataset.sizes["x"],
        "crs": rasterio.crs.CRS.from_wkt(dataset["crs"].attrs["crs_wkt"]),
        "transform": Affine(width, 0.0, west, 0.0, height, north),
        "compress": "deflate",
    }
    # The library only prints that a disk is full, so it writes to memory, and the bytes are written here.
    with rasterio.MemoryFile() as memory:
        with memory.open(**profile) as file:
            _fill_bands(file, dataset, bands)
        with writing(path) as temporary:
            temporary.write_bytes(memory.read())


def _fill_bands(file: Any, dataset: xr.Dataset, bands: list[str]) -> None:
    """Write the variables of a map, and its attributes, into an open GeoTIFF."""
    for number, name in enumerate(bands, start=1):
        file.write(dataset[name].to_numpy().astype(np.float32), number)
        file.set_band_description(number, name)
        file.set_band_unit(number, str(dataset[name].attrs.get("units", "1")))
        file.update_tags(number, long_name=str(dataset[name].attrs.get("long_name", "")))
    texts = ("title", "source", "comment", "surface_note", "invented_data", "run")
    file.update_tags(**{key: str(dataset.attrs[key]) for key in texts if key in dataset.attrs})


def write_sites_geojson(dataset: xr.Dataset, path: str | Path) -> None:
    """Write the sites of a map with their numbers as GeoJSON (RFC 7946, WGS 84)."""
    columns = [
        str(name)
        for name, variable in dataset.data_vars.items()
        if variable.dims == ("site",) and name not in {"site_longitude", "site_latitude", "site_x", "site_y"}
    ]
    values = {name: dataset[name].to_numpy() for name in columns}
    features = [
        {
            "type": "Feature",
            "geometry": {
                "type": "Point",
                "coordinates": [
                    round(float(dataset["site_longitude"][k]), 6),
                    round(float(dataset["site_latitude"][k]), 6),
                ],
            },
            "properties": {
                "site": str(name),
                **{column.removeprefix("site_"): _plain(values[column][k]) for column in columns},
            },
        }
        for k, name in enumerate(dataset["site"].to_numpy())
    ]
    collection = {
        "type": "FeatureCollection",
        "title": str(dataset.attrs.get("title", "")),
        "comment": str(dataset.attrs.get("comment", "")),
        "invented_data": str(dataset.attrs.get("invented_data", "no")),
        "run": str(dataset.attrs.get("run", "")),
        "features": features,
    }
    write_text(path, json.dumps(collection, ensure_ascii=False, indent=1, allow_nan=False) + "\n")


def _plain(value: Any) -> float | int | None:
    if isinstance(value, np.integer):
        return int(value)
    number = float(value)
    return round(number, 4) if np.isfinite(number) else None
