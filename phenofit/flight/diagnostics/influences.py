"""Which trap-years and years carry a fit: their share of the likelihood, and the fit without them."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import DataError, FitError, ModelError
from phenofit.flight.diagnostics.jackknife import jackknife_errors
from phenofit.flight.fitted_likelihood import data_of_fit, likelihood_at
from phenofit.flight.fitting import fit_data
from phenofit.flight.likelihood.covariates import covariate_design
from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.flight.likelihood.log_likelihood import Likelihood
from phenofit.flight.likelihood.parameters import split_name, unit_of
from phenofit.flight.likelihood.subset import subset
from phenofit.flight.model import FitSettings
from phenofit.flight.result import FlightFit

if TYPE_CHECKING:
    from phenofit.records import Records

__all__ = ["added_by_each", "contributions", "influence"]


def contributions(
    fit: FlightFit,
    records: Records,
) -> pd.DataFrame:
    """Return what each trap-year adds to the log-likelihood of a fit.

    Parameters
    ----------
    fit : FlightFit
        The fit; its parameters stay as they are.
    records : Records
        What it was fitted to.

    Returns
    -------
    DataFrame
        ``trap, site, season, year, total, log_likelihood`` (what the trap-year adds to the log-likelihood of all
        others: the log chance of its catches given those of its year or site), ``per_moth`` (the same by moth).
        Where trap-years share a shift, the column does not sum to the log-likelihood of the fit.

    Raises
    ------
    DataError
        If the records are not those of the fit.
    """
    data = data_of_fit(fit, records)
    likelihood, theta = likelihood_at(data, fit)
    added, _ = added_by_each(data, fit, likelihood, theta, slopes=False)
    table = data.table[["trap", "site", "season", "year", "total"]].copy()
    table["log_likelihood"] = added
    table["per_moth"] = added / table["total"].to_numpy()
    return table


def added_by_each(
    data: FlightData,
    fit: FlightFit,
    likelihood: Likelihood,
    theta: npt.NDArray[np.float64],
    *,
    slopes: bool,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return what each trap-year adds to the log-likelihood of all others, and the slopes of it."""
    everyone, groups = np.arange(data.trap_years), likelihood.groups
    values, gradients, _ = likelihood.by_group(theta, slopes)
    place = {int(label): k for k, label in enumerate(likelihood.group_labels)}
    added, found = np.empty(data.trap_years), np.zeros((data.trap_years, likelihood.layout.size))
    for i in everyone:
        if fit.settings.crossed:  # every trap-year hangs together with every other
            whole, rest = 0, everyone != i
        elif likelihood.has_group:
            whole, rest = place[int(groups[i])], (groups == groups[i]) & (everyone != i)
        else:
            whole, rest = int(i), np.zeros(data.trap_years, dtype=bool)
        added[i], found[i] = values[whole], gradients[whole]
        if rest.any():
            part, _ = likelihood_at(subset(data, rest), fit, keep=rest)
            part.nodes = likelihood.nodes
            value, gradient, _ = part.by_group(theta, slopes)
            added[i] -= float(value.sum())
            found[i] -= gradient.sum(axis=0)
        if likelihood.counts != "presence":
            added[i] += subset(data, everyone == i).constant
    return added, found


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
    """Refit without each trap-year (or year, or site) and tell how base and requirements move.

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
        Told in words how far it is.

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
        # requirements are told for the place that those of the whole fit hold for.
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
