"""The error map as one dataset that follows the CF conventions and whose position GDAL reads."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr

from phenofit.errors import ModelError
from phenofit.files import phenofit_version
from phenofit.maps.kriging.left_out_check import SurfaceCheck
from phenofit.maps.kriging.ordinary import Kriging
from phenofit.maps.projection import Grid, Plane
from phenofit.maps.sites import SiteErrors


@dataclass(frozen=True)
class MapSettings:
    """How the surface of an error map is made.

    Parameters
    ----------
    drift : sequence of str
        ``"latitude"`` and ``"elevation"``: the mean error may change linearly with these.
    covariance : str
        ``"exponential"``, ``"spherical"``, ``"gaussian"``, or ``"best"`` by likelihood.
    support : float
        A cell counts as supported by traps where they explain at least this share of the spatial variance.
    new_trap_seasons : int, optional
        Number of seasons that a new trap is assumed to have; by default the median of the present sites.

    Raises
    ------
    ModelError
        If `support` is no share.
    """

    drift: Sequence[str] = ()
    covariance: str = "exponential"
    support: float = 0.3
    new_trap_seasons: int | None = None

    def __post_init__(self) -> None:
        if not 0.0 < self.support < 1.0:
            raise ModelError(f"support {self.support:g} is not a share between 0 and 1.")


@dataclass(frozen=True)
class Fields:
    """The surface on the cells inside the map, or the reason why there is none."""

    note: str
    model: Kriging | None = None
    check: SurfaceCheck | None = None
    mean: np.ndarray | None = None
    variance: np.ndarray | None = None
    information: np.ndarray | None = None
    gain: np.ndarray | None = None
    mean_variance: float = float("nan")


_SIGN = "positive = forecast late (the event came before its forecast date), negative = forecast early"
SITE_COLUMNS: dict[str, tuple[str, str]] = {
    "mean_error": ("mean held-out error of the site", "day"),
    "adjusted_error": ("mean held-out error with the season parts removed", "day"),
    "adjusted_se": ("standard error of the adjusted error", "day"),
    "shrunk_error": ("mean held-out error shrunk to the level of all sites", "day"),
    "shrunk_se": ("standard error of the shrunk error", "day"),
    "low": ("lower end of the 95 % interval of the shrunk error", "day"),
    "high": ("upper end of the 95 % interval of the shrunk error", "day"),
    "rmse": ("root mean square of the held-out errors", "day"),
    "coverage80": ("share of seasons whose event fell in the 80 % interval", "1"),
    "coverage95": ("share of seasons whose event fell in the 95 % interval", "1"),
    "inside_interval": ("share of seasons whose forecast date lies in the check interval of the event", "1"),
}
_COUNTS = {
    "seasons": "number of held-out seasons",
    "first_year": "first held-out season, by the year of its start",
    "last_year": "last held-out season, by the year of its start",
    "traps": "number of traps",
}


def grid_coordinates(plane: Plane, grid: Grid) -> xr.Dataset:
    """Return an empty dataset with the coordinates and the grid mapping of a grid."""
    xx, yy = np.meshgrid(grid.x, grid.y)
    longitude, latitude = plane.to_earth(xx, yy)
    attributes: dict[str, object] = dict(plane.crs.to_cf())
    # GDAL reads these two names where the CF parameters leave room for doubt.
    attributes["spatial_ref"] = attributes["crs_wkt"]
    west, north = grid.x[0] - grid.cell / 2, grid.y[0] + grid.cell / 2
    attributes["GeoTransform"] = " ".join(
        repr(float(v)) for v in (west, grid.cell, 0.0, north, 0.0, -grid.cell)
    )
    dataset = xr.Dataset(
        {"crs": ((), np.int32(0), attributes)},
        coords={
            "y": ("y", grid.y, {"standard_name": "projection_y_coordinate", "units": "m", "axis": "Y"}),
            "x": ("x", grid.x, {"standard_name": "projection_x_coordinate", "units": "m", "axis": "X"}),
            "latitude": (("y", "x"), latitude, {"standard_name": "latitude", "units": "degrees_north"}),
            "longitude": (("y", "x"), longitude, {"standard_name": "longitude", "units": "degrees_east"}),
        },
    )
    for name in ("x", "y", "latitude", "longitude"):
        dataset[name].encoding["_FillValue"] = None
    return dataset


def map_dataset(
    sites: SiteErrors,
    points: np.ndarray,
    plane: Plane,
    grid: Grid,
    fields: Fields,
    settings: MapSettings,
    *,
    notes: tuple[str, ...],
    invented: bool,
) -> xr.Dataset:
    """Put sites, surface and provenance together; see :func:`phenofit.maps.error_map`."""
    dataset = grid_coordinates(plane, grid)
    for name, (values, attributes) in _cell_fields(sites, grid, fields, settings).items():
        dataset[name] = (("y", "x"), values, {**attributes, "grid_mapping": "crs"})
    _add_sites(dataset, sites, points)
    dataset.attrs = _attributes(sites, grid, fields, settings, notes=notes, invented=invented)
    return dataset


def _cell_fields(
    sites: SiteErrors, grid: Grid, fields: Fields, settings: MapSettings
) -> dict[str, tuple[np.ndarray, dict[str, object]]]:
    empty = np.full(grid.inside.shape, np.nan, dtype=np.float32)
    over = "area: point time: mean (comment: over the held-out seasons)"
    texts: dict[str, dict[str, object]] = {
        "mean_error": {
            "long_name": "mean held-out forecast error",
            "units": "day",
            "comment": _SIGN,
            "cell_methods": over,
        },
        "mean_error_se": {
            "long_name": "standard error of the mean held-out forecast error",
            "units": "day",
            "comment": "kriging error and the error from having seen only these seasons",
        },
        "expected_rmse": {
            "long_name": "root mean square error expected in a new season at a new trap",
            "units": "day",
            "cell_methods": "area: point",
        },
        "information": {"long_name": "share of the spatial variance that the traps explain", "units": "1"},
        "next_trap_gain": {
            "long_name": "fall of the mean kriging variance of the map with one more trap here",
            "units": "day2",
        },
    }
    values: dict[str, np.ndarray] = dict.fromkeys(texts, empty)
    supported = np.zeros(grid.inside.shape, dtype=np.int8)
    information = fields.information
    if fields.model and fields.mean is not None and fields.variance is not None and information is not None:
        total = fields.variance + sites.level_se**2
        squared = fields.mean**2 + total + fields.model.nugget + sites.season_sd**2 + sites.rest_sd**2
        cells = {
            "mean_error": fields.mean,
            "mean_error_se": np.sqrt(total),
            "expected_rmse": np.sqrt(squared),
            "information": information,
            "next_trap_gain": fields.gain,
        }
        values = {name: grid.full(v).astype(np.float32) for name, v in cells.items() if v is not None}
        supported[grid.inside] = information >= settings.support
    result: dict[str, tuple[np.ndarray, dict[str, object]]] = {n: (values[n], texts[n]) for n in texts}
    flag: dict[str, object] = {
        "long_name": "whether traps support the surface",
        "flag_values": np.array([0, 1], dtype=np.int8),
        "flag_meanings": "not_supported supported",
        "comment": f"supported where the traps explain at least {settings.support:g} of the spatial variance",
    }
    result["supported"] = (supported, flag)
    return result


def _add_sites(dataset: xr.Dataset, sites: SiteErrors, points: np.ndarray) -> None:
    table = sites.table
    dataset["site"] = (
        "site",
        table["site"].to_numpy(dtype=object),
        {"long_name": "trap site", "cf_role": "timeseries_id"},
    )
    places = {
        "site_latitude": ("latitude", {"standard_name": "latitude", "units": "degrees_north"}),
        "site_longitude": ("longitude", {"standard_name": "longitude", "units": "degrees_east"}),
        "site_elevation": ("elevation_m", {"long_name": "elevation of the site", "units": "m"}),
    }
    for name, (column, attributes) in places.items():
        dataset[name] = ("site", table[column].to_numpy(float), attributes)
    columns = [(axis, points[:, k], f"projected {axis} of the site", "m") for k, axis in enumerate("xy")]
    columns += [(name, table[name].to_numpy(float), *words) for name, words in SITE_COLUMNS.items()]
    columns += [(name, table[name].to_numpy(np.int32), text, "1") for name, text in _COUNTS.items()]
    for name, values, text, unit in columns:
        dataset[f"site_{name}"] = ("site", values, {"long_name": text, "units": unit})


def _attributes(
    sites: SiteErrors,
    grid: Grid,
    fields: Fields,
    settings: MapSettings,
    *,
    notes: tuple[str, ...],
    invented: bool,
) -> dict[str, object]:
    chosen, table = sites.chosen, sites.table
    years = sorted({int(y) for y in chosen.rows["year"]})
    attributes: dict[str, object] = {
        "Conventions": "CF-1.11",
        "title": f"Forecast error of {chosen.species or 'a moth'}: {chosen.event}, flight {chosen.flight}",
        "source": f"held-out forecasts of phenofit {phenofit_version()}",
        "species": chosen.species,
        "forecaster": chosen.forecaster,
        "event": chosen.event,
        "flight": chosen.flight,
        "scheme": chosen.scheme,
        "lead_days": "weather known" if chosen.lead_days is None else float(chosen.lead_days),
        "held_out_years": np.array(years, dtype=np.int32),
        "sites": len(table),
        "cell_m": grid.cell,
        "level_days": sites.level,
        "level_se_days": sites.level_se,
        "site_sd_days": sites.site_sd,
        "season_sd_days": sites.season_sd,
        "rest_sd_days": sites.rest_sd,
        "surface": "kriged" if fields.model is not None else "none",
        "surface_note": fields.note,
        "support_limit": settings.support,
        "drift": ", ".join(settings.drift) or "none",
        "notes": " ".join((*sites.notes, *notes)),
        "invented_data": "yes" if invented else "no",
        "comment": _SIGN,
    }
    if fields.model is not None:
        attributes |= {
            "covariance": fields.model.covariance,
            "length_m": fields.model.length,
            "sill_days2": fields.model.sill,
            "nugget_days2": fields.model.nugget,
            "mean_kriging_variance_days2": fields.mean_variance,
        }
    if fields.check is not None:
        attributes |= {
            "left_out_rmse_surface_days": fields.check.surface_rmse,
            "left_out_rmse_mean_days": fields.check.mean_rmse,
            "left_out_skill": fields.check.skill,
            "left_out_skill_se": fields.check.skill_se,
            "left_out_inside95": fields.check.inside95,
        }
    return attributes
