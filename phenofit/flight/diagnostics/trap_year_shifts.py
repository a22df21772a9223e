"""The shift of each trap-year as its own catches give it, and an analysis of sites and years on them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import ModelError
from phenofit.flight.diagnostics.residuals import CheckChances, chances_of_checks

if TYPE_CHECKING:
    from phenofit.flight.result import FlightFit
    from phenofit.records import Records

Floats = npt.NDArray[np.float64]
LEAST_SITES = 3
LEAST_DEGREES = 3


def trap_year_shifts(fit: FlightFit, records: Records) -> pd.DataFrame:
    """Return ``trap, site, season, year, shift`` [degC d] of each trap-year, from its own counts alone.

    The mean of the shift weighted by the likelihood alone (a flat prior). A posterior mean under the fitted prior
    would be shrunk towards zero, most where moths are few.
    """
    concentration = fit.parameters.get("concentration", np.inf)
    rows = []
    for found in chances_of_checks(fit, records):
        weight = _weights(found, concentration)
        first = found.checks.iloc[0]
        rows.append(
            (*(first[name] for name in ("trap", "site", "season", "year")), float(weight @ found.shift))
        )
    return pd.DataFrame(rows, columns=["trap", "site", "season", "year", "shift"])


def _weights(found: CheckChances, concentration: float) -> Floats:
    """Return the likelihood of each node by the counts, without the chance of its shift."""
    level = found.log_likelihood(concentration) + np.log(found.weight) + 0.5 * found.deviate**2
    weight = np.exp(level - level.max())
    return np.asarray(weight / weight.sum())


@dataclass(frozen=True)
class SiteEffects:
    """How sites differ in their shift, year by year, against what is expected of them."""

    sites: tuple[str, ...]
    effect: Floats  # Shape (sites,): shift of each site against the mean of the sites [degC d].
    error: Floats  # Shape (sites,): its standard error where sites differ as expected [degC d].
    statistic: float
    degrees: tuple[int, int]


def site_effects(shifts: pd.DataFrame, expected_sd: Mapping[str, float]) -> SiteEffects:
    r"""Return the effects of sites, adjusted for years, and their F statistic against an expected size.

    With years and sites as fixed effects, the differences :math:`b` of the sites
    from the first have covariance :math:`s^2 C`, :math:`s^2` the residual mean square of year x site. Where sites differ
    with SDs :math:`\tau` only, :math:`b^T (s^2 C + K\,\mathrm{diag}(\tau^2) K^T)^{-1} b / (S - 1)` is at most F with S - 1
    and the residual degrees of freedom; it is F where :math:`\tau = 0`. Trap-years count alike: a variance
    estimated from the few checks of a trap-year is often small by chance. Weights by that variance rejected 8.7 %
    of 300 networks without any effect at 5 %. Equal weights rejected 7.2 % of 500 (8 sites, 5 years).
    """
    sites = tuple(sorted(str(site) for site in shifts["site"].unique()))
    years = sorted(shifts["year"].unique())
    if len(sites) < LEAST_SITES:
        raise ModelError(
            f"{len(sites)} sites say little about how sites differ; at least {LEAST_SITES} are needed."
        )
    label = shifts["site"].astype(str).to_numpy()
    year_part = (shifts["year"].to_numpy()[:, None] == np.array(years)[None, :]).astype(np.float64)
    site_part = (label[:, None] == np.array(sites[1:])[None, :]).astype(np.float64)
    design = np.column_stack([year_part, site_part])
    shift = shifts["shift"].to_numpy()
    rank = int(np.linalg.matrix_rank(design))
    degrees = len(shifts) - rank
    if rank < design.shape[1] or degrees < LEAST_DEGREES:
        raise ModelError(
            "sites and years cannot be distinguished: too few sites were trapped in the same years "
            f"({len(shifts)} trap-years of {len(sites)} sites in {len(years)} years)."
        )
    coefficients = np.linalg.lstsq(design, shift, rcond=None)[0]
    residual = float(((shift - design @ coefficients) ** 2).sum()) / degrees
    count, start = len(sites), len(years)
    contrast = np.column_stack([-np.ones(count - 1), np.eye(count - 1)])
    own = np.diag([expected_sd[site] ** 2 for site in sites])
    estimate = coefficients[start:]
    sampling = residual * np.linalg.inv(design.T @ design)[start:, start:]
    covariance = sampling + contrast @ own @ contrast.T
    statistic = float(estimate @ np.linalg.solve(covariance, estimate)) / (count - 1)
    # Each site against the mean of all: the first has effect 0 among the differences.
    centre = np.eye(count) - 1.0 / count
    whole = np.zeros((count, count))
    whole[1:, 1:] = sampling
    error = np.sqrt(np.diag(centre @ (whole + own) @ centre))
    effect = centre @ np.concatenate([[0.0], estimate])
    return SiteEffects(sites, np.asarray(effect), np.asarray(error), statistic, (count - 1, degrees))
