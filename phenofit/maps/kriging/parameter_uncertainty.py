"""Surfaces that carry the uncertainty of their own parameters.

With a few dozen sites, length, sill and nugget are known poorly, and a kriging variance that takes them as known
is too small. The surface is therefore averaged over parameter sets, each weighted by its restricted likelihood, and its
error widened from the normal to Student's t with as many degrees as there are sites less what is fitted. Counted in
tests/maps/test_kriging.py: the 95 % band then holds 93 to 95 % of the surface with 25 to 300 sites.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial.distance import cdist
from scipy.stats import norm, qmc
from scipy.stats import t as student_t

from phenofit.maps.kriging.ordinary import Kriging
from phenofit.maps.kriging.restricted_likelihood import restricted_log_likelihood

# With more sites than this the parameters are known well enough.
_AVERAGE_UP_TO = 200
_TRIED = 400
_COVARIANCE_PARAMETERS = 3  # length, sill and nugget
_KEPT_TIMES_SITES = 6400  # keeps the work of a prediction bounded


def parameter_sets(model: Kriging) -> list[tuple[float, Kriging]]:
    """Return parameter sets with their weights.

    Handcock and Stein (1993), Technometrics 35, 403-410 (averaging over covariance parameters).
    """
    data = model.data
    n = len(data.values)
    if n > _AVERAGE_UP_TO:
        return [(1.0, model)]
    distance = cdist(data.points, data.points)
    nearest = float(np.median(np.sort(distance, axis=1)[:, 1]))
    extent = float(np.hypot(*np.ptp(data.points, axis=0)))
    spread = float(np.std(data.values))
    low = np.array([np.log(max(nearest / 2.0, extent * 1e-3)), 0.02 * spread, 0.01 * spread])
    high = np.array([np.log(1.5 * extent), 3.0 * spread, 1.5 * spread])
    unit = qmc.Halton(d=3, scramble=False).random(_TRIED + 1)[1:]  # the first point is the corner
    places = low + unit * (high - low)
    sets = [
        Kriging(data, model.covariance, float(np.exp(p[0])), float(p[1] ** 2), float(p[2] ** 2))
        for p in places
    ]
    values = np.array([_value(s) for s in [*sets, model]])
    weights = np.exp(values[:-1] - values.max())
    best = np.argsort(-weights, kind="stable")[: max(16, _KEPT_TIMES_SITES // n)]
    # The maximum is one of the sets, so that it has nearly all the weight where the likelihood is sharp.
    total = np.append(weights[best], 1.0)
    total = total / total.sum()
    chosen = [*(sets[k] for k in best), model]
    return [(float(w), s) for w, s in zip(total, chosen, strict=True) if w > 1e-3 * total.max()]


def _value(model: Kriging) -> float:
    return restricted_log_likelihood(
        model.data, covariance=model.covariance, length=model.length, sill=model.sill, nugget=model.nugget
    )[0]


def predict_averaged(
    sets: list[tuple[float, Kriging]], points: np.ndarray, design: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Predict the smooth part over parameter sets: mean, square of its standard error, and information.

    The 95 % band is the mean and 1.96 standard errors to either side.
    """
    total = sum(weight for weight, _ in sets)
    first, second, explained = (np.zeros(len(points)) for _ in range(3))
    for weight, model in sets:
        share = weight / total
        mean, variance = model.predict(points, design)
        first += share * mean
        second += share * (variance + mean**2)
        explained += share * np.clip(1.0 - variance / model.dispersion(), 0.0, 1.0)
    sites, columns = sets[0][1].data.design.shape
    wider = student_t.ppf(0.975, max(sites - columns - _COVARIANCE_PARAMETERS, 1)) / norm.ppf(0.975)
    return first, wider**2 * np.maximum(second - first**2, 0.0), explained
