r"""How far the estimates would move without a trap-year or a year, to first order and without a refit.

Notes
-----
With the maximum :math:`\hat\theta`, the curvature's inverse :math:`V` and the slope :math:`g_i` of what part *i* adds
to the log-likelihood, the maximum without that part lies near :math:`\hat\theta - V g_i` (the one-step deletion
diagnostic of Pregibon 1981, Ann. Statist. 9, 705-724, and of Cook & Weisberg 1982, *Residuals and Influence in
Regression*). Where trap-years share a shift, what one adds is the log chance of its catches given
those of its year or site. A part that carries much of the curvature, or that alone holds a standard deviation at
nought, moves the maximum farther than said here; :func:`phenofit.flight.diagnostics.influences` refits.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from phenofit.errors import ModelError
from phenofit.flight.diagnostics.influences import added_by_each
from phenofit.flight.estimate.setup import public_name
from phenofit.flight.fitted_likelihood import data_of_fit, likelihood_at
from phenofit.flight.likelihood.parameters import unit_of
from phenofit.flight.result import FlightFit

if TYPE_CHECKING:
    from phenofit.records import Records

__all__ = ["quick_influence"]

# Slopes to about three digits, which is more than the first order is good for.
_NODES = (15, 7, 9)


def quick_influence(
    fit: FlightFit,
    records: Records,
) -> pd.DataFrame:
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
        fit). Moves of what was held are nought.

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
    likelihood.nodes = _NODES
    names = [public_name(likelihood, fit.settings, k) for k in range(likelihood.layout.size)]
    followed = ["base", *(f"requirement_{g + 1}" for g in range(fit.settings.flights))]
    known = [name for name in fit.covariance.columns if name in names]
    moved = [name for name in followed if name in known]
    if not moved:
        raise ModelError("base and requirements of this fit were held, so nothing can move.")
    added, slopes = added_by_each(data, fit, likelihood, theta, slopes=True)
    covariance = fit.covariance.loc[known, known].to_numpy()
    step = -slopes[:, [names.index(name) for name in known]] @ covariance
    table = data.table[["trap", "site", "season", "year", "total"]].copy()
    table["log_likelihood"] = added
    relative = np.zeros((data.trap_years, len(moved)))
    for name in followed:
        at = known.index(name) if name in known else None
        table[f"{name}_change"] = 0.0 if at is None else step[:, at]
        if at is not None:
            relative[:, moved.index(name)] = np.abs(step[:, at]) / np.sqrt(covariance[at, at])
    table["largest"] = relative.max(axis=1)
    table = table.sort_values("largest", ascending=False, kind="stable").reset_index(drop=True)
    table.attrs["units"] = {f"{n}_change": unit_of(n) for n in followed}
    return table
