"""The likelihood of a finished fit, set up again at the parameters that the fit holds."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from phenofit.flight.estimate.setup import SMALLEST_STRAY, build_likelihood
from phenofit.flight.likelihood.covariates import covariate_design
from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.flight.likelihood.log_likelihood import INDEPENDENT, Layout, Likelihood
from phenofit.flight.result import FlightFit

__all__ = ["likelihood_at", "vector_of"]

_NODES = (31, 15, 21)  # enough for any fit met so far; a single evaluation is cheap


def vector_of(
    parameters: dict[str, float], layout: Layout, group: str | None, upper: float | None = None
) -> npt.NDArray[np.float64]:
    """Return the parameter vector of the likelihood from named values."""
    theta = np.zeros(layout.size)
    crossed = group == "year" and "shift_sd_site" in parameters and "shift_sd_year" in parameters
    lacking = {
        "log group_sd": parameters.get(f"shift_sd_{group}", 1e-3),
        "log cross_sd": parameters["shift_sd_site"] if crossed else 1e-3,
        "log shift_sd": parameters.get("shift_sd", 1e-3),
        "log concentration": parameters.get("concentration", INDEPENDENT),
        "log abundance": parameters.get("abundance", 1.0),
        "log abundance_sd": parameters.get("abundance_sd", 1.0),
    }
    for k, name in enumerate(layout.names):
        if name == "logit stray":
            share = max(parameters["stray_share"], SMALLEST_STRAY)
            theta[k] = math.log(share / (1.0 - share))
        elif name == "upper":
            theta[k] = parameters.get("upper", 0.0 if upper is None else upper)
        elif name in lacking:
            theta[k] = math.log(lacking[name])
        elif name.startswith("log "):
            theta[k] = math.log(parameters[name[4:]])
        else:
            theta[k] = parameters[name]
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
