"""The likelihood of a finished fit, set up again at the parameters that the fit holds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from phenofit.flight.estimate.setup import SMALLEST_STRAY, build_likelihood
from phenofit.flight.likelihood.covariates import covariate_design
from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.flight.likelihood.log_likelihood import Layout, Likelihood
from phenofit.flight.result import FlightFit

__all__ = ["likelihood_at", "vector_of"]

_NODES = (31, 15, 21)  # enough for any fit met so far; a single evaluation is cheap


def vector_of(
    parameters: dict[str, float], layout: Layout, group: str | None, upper: float | None = None
) -> npt.NDArray[np.float64]:
    """Return the parameter vector of the likelihood from named values."""
    theta = np.zeros(layout.size)
    crossed = group == "year" and "shift_sd_site" in parameters and "shift_sd_year" in parameters
    for k, entry in enumerate(layout.entries):
        parameter, name = entry.parameter, entry.plain(group, crossed)
        if parameter.name == "upper":
            theta[k] = parameters.get("upper", 0.0 if upper is None else upper)
            continue
        if parameter.absent is None:
            value = parameters[name]
        else:
            shared = parameter.part != "group" or group is not None
            value = parameters.get(name, parameter.absent) if shared else parameter.absent
        if parameter.name == "stray_share":
            value = max(value, SMALLEST_STRAY)
        theta[k] = parameter.searched(value)
    return theta


def likelihood_at(
    data: FlightData,
    fit: FlightFit,
    *,
    keep: npt.NDArray[np.bool_] | None = None,
) -> tuple[Likelihood, npt.NDArray[np.float64]]:
    """Return the likelihood of data under a fit's model, and the fit's parameter vector."""
    settings = fit.settings
    if keep is None:
        design = covariate_design(data.table, settings.covariates, fitted=fit.parameters)
    else:
        design = covariate_design(fit.data, settings.covariates, fitted=fit.parameters)
        design = replace(design, values=design.values[keep])
    likelihood = build_likelihood(data, settings, _NODES, design=design)
    return likelihood, vector_of(fit.parameters, likelihood.layout, settings.group, settings.heat.upper)
