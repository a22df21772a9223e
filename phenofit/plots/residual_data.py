"""The numbers behind the figure of residuals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri
from scipy.stats import beta

from phenofit.flight.result import FlightFit

_Array = NDArray[np.float64]
_CLASSES = 12
FEWEST = 20
"""Fewest residuals that are drawn or described."""


@dataclass(frozen=True)
class ResidualView:
    """Residuals of the checks of one fit, ready to be drawn."""

    heat: _Array  # Shape (checks,): Heat at the middle of each check interval [degC d] and its residual.
    residual: _Array
    # Shape (classes,): Classes of equally many checks along the heat: mean heat [degC d], mean residual, and
    # the 95 % interval of that mean as if checks were independent.
    class_heat: _Array
    class_mean: _Array
    class_low: _Array
    class_high: _Array
    expected: _Array  # Shape (checks,): Normal quantiles and the residuals in order.
    ordered: _Array
    # Shape (checks,): Where each ordered residual lies with a chance of 95 % under the model, checks taken as
    # independent.
    low: _Array
    high: _Array
    requirements: tuple[float, ...]  # Fitted heat at half of each flight [degC d].


def residual_view(fit: FlightFit, residuals: pd.DataFrame) -> ResidualView | None:
    """Order residuals for drawing."""
    known = residuals.dropna(subset=["residual", "heat"]) if len(residuals) else residuals
    if len(known) < FEWEST:
        return None
    heat = known["heat"].to_numpy(dtype=np.float64)
    residual = known["residual"].to_numpy(dtype=np.float64)
    parts = np.array_split(np.argsort(heat, kind="stable"), min(_CLASSES, len(known) // 10))
    mean = np.array([residual[part].mean() for part in parts])
    half = np.array([1.96 * residual[part].std(ddof=1) / np.sqrt(len(part)) for part in parts])
    rank = np.arange(1, len(known) + 1, dtype=np.float64)
    return ResidualView(
        heat=heat,
        residual=residual,
        class_heat=np.array([heat[part].mean() for part in parts]),
        class_mean=mean,
        class_low=mean - half,
        class_high=mean + half,
        expected=np.asarray(ndtri((rank - 0.5) / len(known))),
        ordered=np.sort(residual),
        low=np.asarray(ndtri(beta.ppf(0.025, rank, len(known) + 1 - rank))),
        high=np.asarray(ndtri(beta.ppf(0.975, rank, len(known) + 1 - rank))),
        requirements=tuple(fit.requirement(g) for g in range(1, fit.settings.flights + 1)),
    )
