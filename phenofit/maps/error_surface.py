"""The error map: site values, a kriged surface with its error, and where one more trap would reduce the error most."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.maps.choice import ErrorChoice, select_errors
from phenofit.maps.dataset import Fields, MapSettings, map_dataset
from phenofit.maps.kriging.left_out_check import check_surface
from phenofit.maps.kriging.next_trap import next_trap_gain
from phenofit.maps.kriging.ordinary import SiteData
from phenofit.maps.kriging.parameter_uncertainty import parameter_sets, predict_averaged
from phenofit.maps.kriging.restricted_likelihood import fit_kriging
from phenofit.maps.kriging.single_thread import one_thread
from phenofit.maps.kriging.trend import drift_design
from phenofit.maps.projection import Grid, MapArea, Plane, merge_close
from phenofit.maps.sites import SiteErrors, summarise_sites
from phenofit.progress import Progress

_FEWEST = 6
_SAME_PLACE_M = 25.0


_FITTED, _WHOLE, _SURFACE = ErrorChoice(), MapArea(), MapSettings()


def error_map(
    validation: pd.DataFrame,
    choice: ErrorChoice = _FITTED,
    *,
    area: MapArea = _WHOLE,
    settings: MapSettings = _SURFACE,
    elevation: xr.DataArray | None = None,
    invented: bool = False,
    progress: Progress | None = None,
) -> xr.Dataset:
    """Map the held-out errors of a forecaster.

    Parameters
    ----------
    validation : DataFrame
        The validation table.
    choice : ErrorChoice
        Which rows of it.
    area : MapArea
        The grid.
    settings : MapSettings
        How the surface is made.
    elevation : DataArray, optional
        Heights [m] on 1-D ``latitude`` and ``longitude`` [degrees]; needed for a drift on elevation.
    invented : bool
        Marks the map as made from invented data.
    progress : callable, optional
        Called with a line for each step.

    Returns
    -------
    Dataset
        On ``(y, x)`` [m]: ``mean_error, mean_error_se, expected_rmse`` [day], ``information`` [1],
        ``supported`` (0 or 1), ``next_trap_gain`` [day2]; on ``site`` the columns of
        :func:`phenofit.maps.site_errors`; the grid mapping ``crs``. Where no surface is supported, the
        cells are NaN, and the attribute ``surface_note`` gives the reason. Positive errors mean: forecast late.

    Raises
    ------
    DataError
        If the table or the region file is wrong.
    MissingExtraError
        If the packages of the extra ``maps`` are not installed; :func:`phenofit.maps.site_errors` needs none.
    ModelError
        If nothing matches, or a setting makes no sense.

    Notes
    -----
    Sites enter with the season parts taken out and with their own standard errors; those within 25 m of each other
    are merged. Length, sill and nugget come from restricted likelihood; up to 200 sites the surface is averaged
    over them, so that its error holds theirs. The surface is kept only if it predicts left-out sites better than
    the plain mean does. ``expected_rmse`` is the root of (mean error)² + (its error)² + nugget + season variance +
    rest variance: what a new season at a new trap is expected to miss by.
    """
    say = progress or (lambda _: None)
    sites = summarise_sites(select_errors(validation, choice))
    table = sites.table
    plane, points, grid = area.grid(table["longitude"].to_numpy(), table["latitude"].to_numpy())
    say(f"error map: {len(table)} sites, {int(grid.inside.sum())} cells of {grid.cell / 1000:g} km")
    with one_thread():
        fields, notes = _surface(sites, points, plane, grid, settings, elevation)
    say(f"error map: {fields.note}")
    return map_dataset(sites, points, plane, grid, fields, settings, notes=notes, invented=invented)


def _surface(
    sites: SiteErrors,
    points: np.ndarray,
    plane: Plane,
    grid: Grid,
    settings: MapSettings,
    elevation: xr.DataArray | None,
) -> tuple[Fields, tuple[str, ...]]:
    table = sites.table
    cells = grid.points()
    design, cell_design, used, drift_notes = drift_design(
        tuple(settings.drift), table, plane, cells, elevation=elevation
    )
    merged, merge_notes = _merge(points[used], table[used], design[used])
    notes = (*drift_notes, *merge_notes)
    reason = _why_no_surface(merged)
    if reason:
        return Fields(reason), notes
    model = fit_kriging(merged, covariance=settings.covariance)
    check = check_surface(model)
    if not check.beats_mean:
        return Fields(check.sentence, check=check), notes
    mean, variance, information = predict_averaged(parameter_sets(model), cells, cell_design)
    seasons = settings.new_trap_seasons or int(np.median(table["seasons"]))
    gain, before = next_trap_gain(model, cells, cell_design, variance=sites.rest_sd**2 / seasons)
    return Fields(check.sentence, model, check, mean, variance, information, gain, before), notes


def _merge(points: np.ndarray, table: pd.DataFrame, design: np.ndarray) -> tuple[SiteData, tuple[str, ...]]:
    label = merge_close(points, tolerance=_SAME_PLACE_M)
    values, variances = table["adjusted_error"].to_numpy(), table["adjusted_se"].to_numpy() ** 2
    count = np.bincount(label)
    if count.max() == 1:
        return SiteData(points, values, variances, design), ()
    # Seasons are the weights, so that a site of one season does not count as much as one of ten.
    weight = table["seasons"].to_numpy(float)
    total = np.bincount(label, weight)

    def pooled(column: np.ndarray) -> np.ndarray:
        return np.asarray(np.bincount(label, weight * column) / total)

    names = [", ".join(table["site"].to_numpy()[label == k]) for k in np.flatnonzero(count > 1)]
    note = f"Sites within {_SAME_PLACE_M:g} m of each other were merged for the surface: {'; '.join(names)}."
    data = SiteData(
        np.column_stack([pooled(points[:, 0]), pooled(points[:, 1])]),
        pooled(values),
        np.bincount(label, weight**2 * variances) / total**2,
        np.column_stack([pooled(design[:, k]) for k in range(design.shape[1])]),
    )
    return data, (note,)


def _why_no_surface(data: SiteData) -> str:
    n = len(data.values)
    fewest = _FEWEST + data.design.shape[1] - 1
    if n < fewest:
        return f"No surface is drawn: the sites are at {n} {'different places' if n != 1 else 'place'}; it takes at least {fewest}."
    spread = np.linalg.svd(data.points - data.points.mean(axis=0), compute_uv=False)
    if spread[1] < 0.03 * spread[0]:
        return "No surface is drawn: the sites are on one line, so nothing is known to either side of it."
    if np.ptp(data.values) < 1e-9:
        return "No surface is drawn: all sites have the same error."
    if np.linalg.matrix_rank(data.design) < data.design.shape[1]:
        return "No surface is drawn: the sites do not differ in a drift column."
    return ""
