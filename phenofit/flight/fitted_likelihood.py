"""The likelihood of a fit, set up again at the fitted parameters."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from phenofit.errors import DataError, ModelError, Problem
from phenofit.flight.estimate.setup import build_likelihood, vector_of
from phenofit.flight.likelihood.covariates import covariate_design
from phenofit.flight.likelihood.flight_data import FlightData, assemble
from phenofit.flight.likelihood.log_likelihood import Likelihood
from phenofit.flight.likelihood.quadrature import affordable
from phenofit.flight.result import FlightFit
from phenofit.records import Records

_NODES = (31, 15, 21)  # enough for any fit met so far; a single evaluation is cheap


def likelihood_at(
    data: FlightData, fit: FlightFit, *, keep: npt.NDArray[np.bool_] | None = None
) -> tuple[Likelihood, npt.NDArray[np.float64]]:
    """Return the likelihood of data under a fit's model, and the fit's parameter vector."""
    settings = fit.settings
    if keep is None:
        design = covariate_design(data.table, settings.covariates, fitted=fit.parameters)
    else:
        design = covariate_design(fit.data, settings.covariates, fitted=fit.parameters)
        design = replace(design, values=design.values[keep])
    likelihood = build_likelihood(data, settings, _NODES, design=design)
    likelihood.nodes = affordable(_NODES, likelihood.dims)
    return likelihood, vector_of(fit.parameters, likelihood.layout, settings.group, settings.heat.upper)


def records_of_fit(fit: FlightFit, records: Records) -> Records:
    """Return records with the season of a fit; refuse records with a biofix for a fit without one, and vice versa."""
    if fit.settings.biofix != (records.starts is not None):
        raise ModelError(
            "give records with biofix dates (starts) where the fit counts from them, and only there."
        )
    return replace(records, season=fit.settings.season)


def data_of_fit(fit: FlightFit, records: Records, *, night: str | None = None) -> FlightData:
    """Assemble the records of a fit again, cut by night where asked, and make sure that they are those of the fit."""
    settings = fit.settings
    night = settings.night_weather if night is None else night
    data = assemble(records_of_fit(fit, records), kind=settings.records, night=night)
    keys = ["trap", "season", "total"]
    if data.table[keys].astype(str).to_numpy().tolist() != fit.data[keys].astype(str).to_numpy().tolist():
        raise DataError(
            Problem(
                f"the fit had {len(fit.data)} trap-years with {fit.moths} moths, the records give "
                f"{data.trap_years} with {int(data.totals.sum())}, or in another order.",
                "Give the records that the fit was made from.",
            )
        )
    return data
