"""Refits without each trap-year, year or site: what the one-step influence is compared with."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import DataError, FitError, ModelError
from phenofit.flight.diagnostics.jackknife import jackknife_errors
from phenofit.flight.fitted_likelihood import data_of_fit
from phenofit.flight.fitting import fit_data
from phenofit.flight.likelihood.covariates import covariate_design
from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.flight.likelihood.parameters import split_name, unit_of
from phenofit.flight.likelihood.subset import subset
from phenofit.flight.model import FitSettings
from phenofit.flight.result import FlightFit
from phenofit.records import Records


@dataclass(frozen=True)
class _Job:
    data: FlightData
    settings: FitSettings
    place: dict[str, Any]


def influence(
    fit: FlightFit,
    records: Records,
    *,
    leave_out: str = "trap-year",
    executor: Executor | None = None,
    progress: Callable[[str], None] | None = None,
) -> pd.DataFrame:
    """Refit without each trap-year (or year, or site) and return how base and requirements move.

    Parameters
    ----------
    fit : FlightFit
        The fit.
    records : Records
        What it was fitted to.
    leave_out : {"trap-year", "year", "site"}
        What is left out at a time.
    executor : concurrent.futures.Executor, optional
        Runs the refits; the result does not depend on it.
    progress : callable, optional
        Gets a sentence at each step.

    Returns
    -------
    DataFrame
        A row for each part left out, the largest move first: ``left_out, trap_years, moths``, ``base`` [degC] and
        ``base_change``, for each flight ``requirement_1`` [degC d] and ``requirement_1_change`` (refit minus fit),
        ``largest`` (the largest change in standard errors of the fit, of the jackknife where it has none), ``converged``, ``note``. Units stand in
        ``attrs["units"]``.

    Raises
    ------
    ModelError
        If `leave_out` is another word.
    DataError
        If the records are not those of the fit.
    """
    if leave_out not in ("trap-year", "year", "site"):
        raise ModelError(f"leave out 'trap-year', 'year' or 'site' at a time, not '{leave_out}'.")
    data = data_of_fit(fit, records)
    parts = _parts(data, leave_out)
    if len(parts) < 2:
        raise ModelError(f"there is one {leave_out} only; nothing would be left.")
    place = covariate_design(fit.data, fit.settings.covariates, fitted=fit.parameters).reference
    jobs = [_Job(subset(data, ~gone), fit.settings, place) for _, gone in parts]
    results = executor.map(_refit, jobs) if executor is not None else map(_refit, jobs)
    say = progress or (lambda _text: None)
    rows: list[dict[str, Any]] = []
    for (name, gone), (values, converged, note) in zip(parts, results, strict=True):
        say(f"refitted without {name} ({len(rows) + 1} of {len(parts)})")
        rows.append(_row(fit, data, name, gone, values, converged, note))
    table = _largest(fit, pd.DataFrame(rows))
    table = table.sort_values("largest", ascending=False, kind="stable", na_position="first")
    table.attrs["units"] = {
        c: unit_of(name) for name in _followed(fit) for c in table.columns if c in (name, f"{name}_change")
    }
    return table.reset_index(drop=True)


def _refit(job: _Job) -> tuple[dict[str, float], bool, str]:
    try:
        found = fit_data(job.data, job.settings, profiles=False)
        # Without some trap-years the mean of a covariate moves, or another level is the reference: the
        # requirements are given for the place that those of the whole fit hold for.
        factor = covariate_design(found.data, job.settings.covariates).factor(found.parameters, job.place)
    except (FitError, DataError, ModelError) as error:
        return {}, False, str(error)
    values = {k: v * factor if split_name(k)[0] == "requirement" else v for k, v in found.parameters.items()}
    return values, found.converged, "" if found.converged else "the search did not converge"


def _parts(data: FlightData, leave_out: str) -> list[tuple[str, npt.NDArray[np.bool_]]]:
    table = data.table
    if leave_out == "trap-year":
        return [
            (f"{row['trap']}, {row['season']}", np.arange(len(table)) == i)
            for i, row in enumerate(table.to_dict("records"))
        ]
    column = table[leave_out].to_numpy()
    return [(str(value), np.asarray(column == value)) for value in pd.unique(table[leave_out])]


def _row(
    fit: FlightFit,
    data: FlightData,
    name: str,
    gone: npt.NDArray[np.bool_],
    values: dict[str, float],
    converged: bool,
    note: str,
) -> dict[str, Any]:
    row: dict[str, Any] = {
        "left_out": name,
        "trap_years": int(gone.sum()),
        "moths": int(data.table["total"].to_numpy()[gone].sum()),
    }
    for key in _followed(fit):
        row[key] = values.get(key, np.nan)
        row[f"{key}_change"] = row[key] - fit.parameters[key]
    return {**row, "converged": converged, "note": note}


def _followed(fit: FlightFit) -> tuple[str, ...]:
    return ("base", *(f"requirement_{g + 1}" for g in range(fit.settings.flights)))


def _largest(fit: FlightFit, table: pd.DataFrame) -> pd.DataFrame:
    """Add the largest change in standard errors; that of the jackknife where the fit knows none."""
    names = list(fit.covariance.columns)
    known = dict(zip(names, np.sqrt(np.diag(fit.covariance.to_numpy())), strict=True))
    moves = []
    for key in _followed(fit):
        change = table[f"{key}_change"].to_numpy(dtype=np.float64)
        held = key in fit.settings.hold or (key == "base" and fit.settings.base_held is not None)
        if held:
            continue
        moves.append(np.abs(change) / known.get(key, max(float(jackknife_errors(change)), 1e-12)))
    place = table.columns.get_loc("converged")
    table = table.copy()
    table.insert(int(str(place)), "largest", np.max(moves, axis=0) if moves else np.nan)
    return table
