"""A fit with covariates evaluated at one place: its requirements and their errors there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import ModelError
from phenofit.flight.likelihood.covariates import covariate_design
from phenofit.flight.result import FlightFit
from phenofit.flight.sampling import Sampling


def fit_at(fit: FlightFit, place: Mapping[Any, Any]) -> FlightFit:
    """Return a fit evaluated at one place.

    Parameters
    ----------
    fit : FlightFit
        A fit, with or without covariates.
    place : mapping
        Values of its covariates at the place, by column.

    Returns
    -------
    FlightFit
        Without covariates: its requirements [degC d], and its spreads where covariates move them, are those of the
        place. The covariance is transformed to first order; profiles of what differs from the reference place are
        left out.

    Raises
    ------
    ModelError
        If a covariate of the place is missing, or has a level that the fit does not know.

    Notes
    -----
    With the entries x of the place the requirement is ``r exp(x b)``, b the effects. Its slope is ``exp(x b)`` in r
    and ``r exp(x b) x`` in b. The log spread, where it follows, is ``log s + x b``.
    """
    design = covariate_design(fit.data, fit.settings.covariates, fitted=fit.parameters)
    if not design.names:
        return fit
    code = design.code(place)
    factor = design.factor(fit.parameters, place)
    effects = [f"effect {name}" for name in design.names]
    heads = ("requirement", "spread") if fit.settings.spread_follows else ("requirement",)
    moved = {f"{head}_{g + 1}" for head in heads for g in range(fit.settings.flights)}
    settings = replace(
        fit.settings,
        covariates=(),
        hold={k: v * factor if k in moved else v for k, v in fit.settings.hold.items() if k not in effects},
    )
    return replace(
        fit,
        settings=settings,
        parameters={
            k: v * factor if k in moved else v for k, v in fit.parameters.items() if k not in effects
        },
        covariance=_covariance_at(fit, moved, dict(zip(effects, code, strict=True)), factor),
        profiles={k: p for k, p in fit.profiles.items() if k not in moved and k not in effects},
        sampling=_sampling_at(fit, moved, dict(zip(effects, code, strict=True)), factor),
    )


def _sampling_at(
    fit: FlightFit, moved: set[str], code: Mapping[str, float], factor: float
) -> Sampling | None:
    """Return how the estimates at a place vary: an effect moves a location by days, later ones by their logarithm."""
    sampling = fit.sampling
    if sampling is None:
        return None
    own, by_effect = {}, {}
    for name in _requirements(moved):
        flight = int(name.rpartition("_")[2])
        if sampling.reference is None or name in sampling.direct:
            own[name], by_effect[name] = factor, fit.parameters[name] * factor
        else:
            at = sampling.reference.at(fit.base)
            own[name], by_effect[name] = 1.0, float(at.heat[0] / at.per_day[0]) if flight == 1 else 1.0
    slopes = _slopes_at(list(sampling.names), moved, code, own, by_effect)
    matrix: npt.NDArray[np.float64] = slopes.to_numpy()
    return replace(sampling, names=tuple(slopes.index), covariance=matrix @ sampling.covariance @ matrix.T)


def _covariance_at(fit: FlightFit, moved: set[str], code: Mapping[str, float], factor: float) -> pd.DataFrame:
    own = dict.fromkeys(_requirements(moved), factor)
    by_effect = {name: fit.parameters[name] * factor for name in own}
    slopes = _slopes_at(list(fit.covariance.columns), moved, code, own, by_effect)
    matrix: npt.NDArray[np.float64] = slopes.to_numpy()
    kept = slopes.index
    return pd.DataFrame(matrix @ fit.covariance.to_numpy() @ matrix.T, index=kept, columns=kept)


def _slopes_at(
    old: list[str],
    moved: set[str],
    code: Mapping[str, float],
    own: Mapping[str, float],
    by_effect: Mapping[str, float],
) -> pd.DataFrame:
    """Return the slopes of the parameters at a place (rows) in those of the fit (columns)."""
    kept = [n for n in old if n not in code]
    # Names in the covariance; a spread is there by its logarithm, on which a factor is a sum.
    names = {f"log {name}" if name.startswith("spread") else name: name for name in moved}
    if any(n in old and x != 0.0 for n, x in code.items()):
        # A held requirement is not held at a place to which a fitted effect leads.
        kept += sorted(names.keys() - set(kept))
    slopes = pd.DataFrame(0.0, index=kept, columns=old)
    for name in kept:
        if name not in names:
            slopes.loc[name, name] = 1.0
            continue
        if name in old:
            slopes.loc[name, name] = own.get(name, 1.0)
        for effect in set(code) & set(old):
            slopes.loc[name, effect] = by_effect.get(name, 1.0) * code[effect]
    return slopes


def _requirements(moved: set[str]) -> list[str]:
    return sorted(name for name in moved if name.startswith("requirement"))


def fit_at_site(fit: FlightFit, site: str, traps: pd.DataFrame | None = None) -> FlightFit:
    """Return a fit evaluated at a site, whose covariates are looked up.

    Parameters
    ----------
    fit : FlightFit
        A fit, with or without covariates.
    site : str
        Name of the site (or trap).
    traps : DataFrame, optional
        ``trap`` or ``site`` and the covariates, for sites that the fit has not seen.

    Returns
    -------
    FlightFit
        See :func:`fit_at`.

    Raises
    ------
    ModelError
        If the covariates of the site are not known, or have levels that the fit does not know.
    """
    if not fit.settings.covariates:
        return fit
    return fit_at(fit, site_columns(fit, site, traps))


def site_columns(fit: FlightFit, site: str, traps: pd.DataFrame | None = None) -> dict[str, object]:
    """Return the covariates of a site: the mean of numbers, the commonest of texts over its rows."""
    design = covariate_design(fit.data, fit.settings.covariates, fitted=fit.parameters)
    for table in (fit.data, traps):
        if table is None or any(c.column not in table for c in design.covariates):
            continue
        for key in ("site", "trap"):
            if key not in table:
                continue
            rows = table[table[key].astype(str) == site]
            if len(rows):
                return {
                    c.column: rows[c.column].mode().iloc[0]
                    if c.levels
                    else float(pd.to_numeric(rows[c.column]).mean())
                    for c in design.covariates
                    if rows[c.column].notna().any()
                }
    raise ModelError(
        f"the fit has effects of {', '.join(fit.settings.covariates)}, which are not known of '{site}'; "
        "give the trap table that has them, or take the fit at the place first (fit_at)."
    )
