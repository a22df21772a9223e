"""The parameters of the spatial model by restricted likelihood."""

from __future__ import annotations

import numpy as np
from scipy.linalg.lapack import dpotrf, dpotri
from scipy.optimize import minimize
from scipy.spatial.distance import cdist

from phenofit.maps.kriging.ordinary import COVARIANCES, Kriging, SiteData, correlation, tiles
from phenofit.maps.kriging.single_thread import one_thread

# Sites beyond this number enter as blocks of neighbours whose likelihoods are added.
_BLOCK = 300


def restricted_log_likelihood(
    data: SiteData, *, covariance: str, length: float, sill: float, nugget: float
) -> tuple[float, np.ndarray]:
    """Return the restricted log-likelihood and its slopes in the logs of the parameters.

    Patterson and Thompson (1971), Biometrika 58, 545-554.
    """
    distance = cdist(data.points, data.points)
    shape = sill * correlation(covariance, length)(distance)
    variance = shape + np.diag(data.variances + nugget)
    factor, failed = dpotrf(variance, lower=1)
    if failed:
        return -np.inf, np.zeros(3)
    logdet = 2.0 * float(np.sum(np.log(np.diag(factor))))
    lower = np.tril(dpotri(factor, lower=1)[0])
    inverse = lower + np.tril(lower, -1).T
    weighted = inverse @ data.design
    information = data.design.T @ weighted
    projector = inverse - weighted @ np.linalg.solve(information, weighted.T)
    projected = projector @ data.values
    value = -0.5 * (logdet + np.linalg.slogdet(information)[1] + float(data.values @ projected))
    if not np.isfinite(value):
        return -np.inf, np.zeros(3)
    step = 1e-5
    by_length = (sill * correlation(covariance, length * np.exp(step))(distance) - shape) / step
    slopes = [
        -0.5 * (float(np.sum(projector * part)) - float(projected @ part @ projected))
        for part in (by_length, shape)
    ]
    slopes.append(-0.5 * nugget * (float(np.trace(projector)) - float(projected @ projected)))
    return float(value), np.array(slopes)


def fit_kriging(data: SiteData, *, covariance: str = "exponential", start: Kriging | None = None) -> Kriging:
    """Find length, sill and nugget by restricted likelihood."""
    with one_thread():
        if covariance == "best":
            fits = [_fit(data, name, None) for name in COVARIANCES]
            return max(fits, key=lambda pair: pair[0])[1]
        return _fit(data, covariance, start)[1]


def _fit(data: SiteData, covariance: str, start: Kriging | None) -> tuple[float, Kriging]:
    blocks = [data.subset(index) for index in tiles(data.points, _BLOCK)]
    distance = cdist(blocks[0].points, blocks[0].points)
    extent = float(np.hypot(*np.ptp(data.points, axis=0)))
    nearest = float(np.median(np.sort(distance + np.diag(np.full(len(distance), np.inf)), axis=1)[:, 0]))
    scale = max(float(np.var(data.values)), 1e-6)
    low = np.log([max(nearest / 2.0, extent * 1e-3), scale * 1e-4, scale * 1e-4])
    high = np.log([extent * 2.0, scale * 20.0, scale * 4.0])

    def negative(theta: np.ndarray) -> tuple[float, np.ndarray]:
        length, sill, nugget = np.exp(theta)
        total, slopes = 0.0, np.zeros(3)
        for block in blocks:
            value, slope = restricted_log_likelihood(
                block, covariance=covariance, length=length, sill=sill, nugget=nugget
            )
            total, slopes = total + value, slopes + slope
        return -total, -slopes

    if start is not None:
        starts = [np.log([start.length, start.sill, start.nugget])]
    else:
        starts = [np.log([extent * share, scale * 0.6, scale * 0.3]) for share in (0.05, 0.2, 0.6)]
    best_value, best = np.inf, starts[0]
    for theta in starts:
        found = minimize(
            negative,
            np.clip(theta, low, high),
            jac=True,
            method="L-BFGS-B",
            bounds=list(zip(low, high, strict=True)),
            options={"maxiter": 60, "ftol": 1e-8},
        )
        if found.fun < best_value:
            best_value, best = float(found.fun), found.x
    length, sill, nugget = (float(v) for v in np.exp(best))
    return -best_value, Kriging(data, covariance, length, sill, nugget)
