r"""The influence of each trap-year: its share of the likelihood, and how far the estimates would move without it.

Notes
-----
With the maximum :math:`\hat\theta`, the curvature's inverse :math:`V` and the slope :math:`g_i` of what part *i* adds
to the log-likelihood, the maximum without that part lies near :math:`\hat\theta - V g_i` (the one-step deletion
diagnostic of Pregibon 1981, Ann. Statist. 9, 705-724, and of Cook & Weisberg 1982, *Residuals and Influence in
Regression*). Where trap-years share a shift, what one adds is the log chance of its catches given
those of its year or site. A part with much of the curvature, or one that alone keeps a standard deviation at
zero, moves the maximum farther than estimated here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import ModelError
from phenofit.flight.estimate.setup import public_name
from phenofit.flight.fitted_likelihood import data_of_fit, likelihood_at
from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.flight.likelihood.log_likelihood import Likelihood
from phenofit.flight.likelihood.parameters import unit_of
from phenofit.flight.likelihood.quadrature import affordable
from phenofit.flight.likelihood.subset import subset
from phenofit.flight.result import FlightFit

if TYPE_CHECKING:
    from phenofit.records import Records


def contributions(fit: FlightFit, records: Records) -> pd.DataFrame:
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
    added, _ = _added_by_each(data, fit, likelihood, theta, slopes=False)
    table = data.table[["trap", "site", "season", "year", "total"]].copy()
    table["log_likelihood"] = added
    table["per_moth"] = added / table["total"].to_numpy()
    return table


def _added_by_each(
    data: FlightData, fit: FlightFit, likelihood: Likelihood, theta: npt.NDArray[np.float64], *, slopes: bool
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return what each trap-year adds to the log-likelihood of all others, and the slopes of it."""
    everyone, groups = np.arange(data.trap_years), likelihood.groups
    values, gradients, _ = likelihood.by_group(theta, slopes)
    row_of = {int(label): k for k, label in enumerate(likelihood.group_labels)}
    added, found = np.empty(data.trap_years), np.zeros((data.trap_years, likelihood.layout.size))
    for i in everyone:
        if fit.settings.crossed:  # every trap-year depends on every other
            whole, rest = 0, everyone != i
        elif likelihood.has_group:
            whole, rest = row_of[int(groups[i])], (groups == groups[i]) & (everyone != i)
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


# Slopes to about three digits, which is more than the first-order approximation needs.
_NODES = (15, 7, 9)


def influence(fit: FlightFit, records: Records) -> pd.DataFrame:
    """Estimate how far base and requirements would move without each trap-year, without refitting.

    Parameters
    ----------
    fit : FlightFit
        The fit.
    records : Records
        What it was fitted to.

    Returns
    -------
    DataFrame
        A row for each trap-year, the largest move first: ``trap, site, season, year, total``, ``log_likelihood`` (what
        it adds to that of all others), ``base_change`` [degC], ``requirement_1_change``, … [degC d] (estimate
        without it minus estimate with it), ``largest`` (the largest of these moves in standard errors of the
        fit). Moves of held parameters are zero.

    Raises
    ------
    ModelError
        If the fit has no covariance of base or requirements, as when all were held.
    DataError
        If the records are not those of the fit.

    Notes
    -----
    See the notes of the module; typically within a tenth of a standard error of a refit.
    """
    data = data_of_fit(fit, records)
    likelihood, theta = likelihood_at(data, fit)
    likelihood.nodes = affordable(_NODES, likelihood.dims)
    names = [public_name(likelihood, fit.settings, k) for k in range(likelihood.layout.size)]
    wanted = ["base", *(f"requirement_{g + 1}" for g in range(fit.settings.flights))]
    known = [name for name in fit.covariance.columns if name in names]
    moved = [name for name in wanted if name in known]
    if not moved:
        raise ModelError("base and requirements of this fit were held, so nothing can move.")
    added, slopes = _added_by_each(data, fit, likelihood, theta, slopes=True)
    covariance = fit.covariance.loc[known, known].to_numpy()
    step = -slopes[:, [names.index(name) for name in known]] @ covariance
    table = data.table[["trap", "site", "season", "year", "total"]].copy()
    table["log_likelihood"] = added
    relative = np.zeros((data.trap_years, len(moved)))
    for name in wanted:
        at = known.index(name) if name in known else None
        table[f"{name}_change"] = 0.0 if at is None else step[:, at]
        if at is not None:
            relative[:, moved.index(name)] = np.abs(step[:, at]) / np.sqrt(covariance[at, at])
    table["largest"] = relative.max(axis=1)
    table = table.sort_values("largest", ascending=False, kind="stable").reset_index(drop=True)
    table.attrs["units"] = {f"{n}_change": unit_of(n) for n in wanted}
    return table
