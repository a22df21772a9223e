"""Test whether the surface predicts a left-out site better than the plain mean does."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from phenofit.maps.kriging.ordinary import Kriging
from phenofit.maps.kriging.restricted_likelihood import fit_kriging

# Above this number one site moves the parameters so little that they are held.
_REFIT_UP_TO = 150
_GROUPS = 10
_LEAST_SKILL = 0.05


@dataclass(frozen=True)
class SurfaceCheck:
    """Leave-one-site-out errors of the surface beside those of the plain mean."""

    # Root mean square of the left-out errors [days], sites weighted by their precision.
    surface_rmse: float
    mean_rmse: float
    skill: float  # 1 minus the ratio of the mean squares; above zero the surface is the better one.
    skill_se: float  # Standard error of the skill over sites.
    inside95: float  # Share of left-out site values inside the 95 % band of the surface.
    sites: int  # Number of sites.
    refitted: bool  # Whether the parameters were estimated again without the left-out sites (in ten groups).

    @property
    def beats_mean(self) -> bool:
        """Whether the surface does better than the plain mean on sites that it has not seen."""
        return self.skill > _LEAST_SKILL

    @property
    def sentence(self) -> str:
        """The check in words."""
        compared = (
            f"left out one by one, {self.sites} sites are missed by {self.surface_rmse:.1f} days by the surface "
            f"and by {self.mean_rmse:.1f} days by the plain mean of the others"
        )
        if self.beats_mean:
            return f"Check: {compared}."
        return f"No surface is drawn: {compared}. Site differences show no usable pattern in space."


def check_surface(model: Kriging) -> SurfaceCheck:
    """Leave every site out once and compare the surface with the plain mean."""
    data = model.data
    n = len(data.values)
    predicted, variance = np.empty(n), np.empty(n)
    refit = n <= _REFIT_UP_TO
    if refit:
        # A fixed seed: the same table gives the same verdict.
        group = np.random.default_rng(20_260).permutation(n) % min(_GROUPS, n)
        for number in range(group.max() + 1):
            out = group == number
            fitted = fit_kriging(data.subset(np.flatnonzero(~out)), covariance=model.covariance, start=model)
            held = Kriging(data, model.covariance, fitted.length, fitted.sill, fitted.nugget)
            mean, spread = held.left_out()
            predicted[out], variance[out] = mean[out], spread[out]
    else:
        predicted, variance = model.left_out()
    weight = 1.0 / (data.variances + model.nugget + model.sill)
    total, product = weight.sum(), float(weight @ data.values)
    plain = (product - weight * data.values) / (total - weight)
    surface_square, mean_square = (data.values - predicted) ** 2, (data.values - plain) ** 2
    share = weight / total
    surface_mean, plain_mean = float(share @ surface_square), float(share @ mean_square)
    ratio = surface_mean / plain_mean if plain_mean > 0 else 1.0
    # Delta method for a ratio of weighted means.
    influence = share * (surface_square - ratio * mean_square)
    skill_se = float(np.sqrt(np.sum(influence**2))) / plain_mean if plain_mean > 0 else 0.0
    inside = np.abs(data.values - predicted) <= 1.96 * np.sqrt(variance)
    return SurfaceCheck(
        float(np.sqrt(surface_mean)),
        float(np.sqrt(plain_mean)),
        1.0 - ratio,
        skill_se,
        float(inside.mean()),
        n,
        refit,
    )
