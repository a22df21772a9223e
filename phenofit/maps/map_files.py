"""All files of a map in one folder."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from phenofit.errors import DataError, Problem
from phenofit.files import require_regular
from phenofit.files.pictures import apart_from_pyplot, save_figure
from phenofit.maps.drawing.scales import QUANTITIES
from phenofit.maps.export import write_error_map, write_geotiff, write_sites_geojson

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def write_map_figures(
    dataset: xr.Dataset, folder: str | Path, *, prefix: str = "map", outlines: str | Path | None = None
) -> list[Path]:
    """Draw every map that the dataset can show, as PNG and SVG."""
    from phenofit.maps.drawing.error_maps import draw_error_map

    figures = {}
    for quantity in QUANTITIES.values():
        if quantity.site is None and not np.isfinite(dataset[str(quantity.field)]).any():
            continue  # a map of cells only, and there is no surface
        if quantity.field is None and not np.isfinite(dataset[str(quantity.site)]).any():
            continue  # the table did not say whether the intervals held
        with apart_from_pyplot():
            figures[quantity.name] = draw_error_map(dataset, quantity.name, outlines=outlines)
    return _save(figures, Path(folder), prefix)


def write_map_files(
    dataset: xr.Dataset, folder: str | Path, *, outlines: str | Path | None = None
) -> list[Path]:
    """Write a map as NetCDF, GeoTIFF, GeoJSON, figures and an interactive page."""
    from phenofit.maps.drawing.interactive import write_interactive_page

    folder = Path(folder)
    paths = [folder / name for name in ("error_map.nc", "error_map.tif", "sites.geojson", "error_map.html")]
    write_error_map(dataset, paths[0])
    write_geotiff(dataset, paths[1])
    write_sites_geojson(dataset, paths[2])
    write_interactive_page(dataset, paths[3], outlines=outlines)
    return paths + write_map_figures(dataset, folder / "figures", outlines=outlines)


def write_grid_pictures(store: xr.Dataset, target: Path, *, outlines: str | Path | None = None) -> list[Path]:
    """Draw a date map on the cells of a grid beside its store; nothing where the cells have no position."""
    from phenofit.maps.grid_pictures import picture_of_grid

    dataset = picture_of_grid(store)
    return [] if dataset is None else _save(_date_figures(dataset, outlines), target.parent, target.stem)


def write_date_files(
    dataset: xr.Dataset, folder: str | Path, *, outlines: str | Path | None = None
) -> list[Path]:
    """Write a date map as NetCDF, GeoTIFF and figures."""
    folder = Path(folder)
    written = [folder / "date_map.nc", folder / "date_map.tif"]
    figures = _date_figures(dataset, outlines)
    write_error_map(dataset, written[0])
    write_geotiff(dataset, written[1])
    return written + _save(figures, folder / "figures", "dates")


def _date_figures(dataset: xr.Dataset, outlines: str | Path | None) -> dict[str, Figure]:
    from phenofit.maps.drawing.date_maps import DATE_MAPS, draw_date_map

    with apart_from_pyplot():
        return {name: draw_date_map(dataset, name, outlines=outlines) for name in DATE_MAPS}


def _save(figures: Mapping[str, Figure], folder: Path, prefix: str) -> list[Path]:
    written = []
    for name, figure in figures.items():
        for ending in ("png", "svg"):
            path = folder / f"{prefix}_{name.replace(' ', '_')}.{ending}"
            save_figure(figure, path)
            written.append(path)
    return written


def read_elevation(path: str | Path) -> xr.DataArray:
    """Read heights [m] on latitude and longitude from a NetCDF file."""
    require_regular(path, limit=None, remedy="Give heights as NetCDF.")
    try:
        with xr.open_dataset(path, decode_times=False) as file:
            dataset = file.load()
    except (OSError, ValueError) as error:
        raise DataError(
            Problem(f"this is not a NetCDF file ({error}).", "Give heights as NetCDF.", str(path))
        ) from None
    names = {"lat": "latitude", "lon": "longitude"}
    dataset = dataset.rename({k: v for k, v in names.items() if k in dataset.variables or k in dataset.dims})
    fields = [v for v in dataset.data_vars.values() if set(v.dims) == {"latitude", "longitude"}]
    if len(fields) != 1:
        found = ", ".join(map(str, dataset.data_vars)) or "nothing"
        finding = f"{len(fields)} variables lie on latitude and longitude (the file has {found})."
        raise DataError(Problem(finding, "Give a file with the heights as its only variable.", str(path)))
    unit = str(fields[0].attrs.get("units", "")).strip()
    if unit not in {"m", "metre", "metres", "meter", "meters"}:
        finding = f"the unit of the heights is '{unit}'."
        remedy = "Set the attribute units = 'm'."
        raise DataError(Problem(finding, remedy, str(path), None, str(fields[0].name)))
    return fields[0]
