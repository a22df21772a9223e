r"""Has the flight the shape of the fitted curve? A smooth test of the residuals along the flight.

Notes
-----
With :math:`u` the share of the flight at the middle of a check and :math:`r` its residual, the statistic is the sum of
squares of :math:`\sum r P_k(u) / \sqrt{\sum P_k(u)^2}` over the Legendre polynomials of degree 2, 3 and 4 on [0, 1]: too
few moths at the top or in the tails, a skewed flight, a second peak (Neyman's smooth test; Rayner, Thas and Best 2009,
*Smooth Tests of Goodness of Fit*, from memory). Degrees 0 and 1 (level and slope) are left out, because the fitted
shifts and requirement absorb them. Fitted parameters absorb a part of the rest too, so chi-squared as the reference
is conservative; the rates that were counted are in ``reports/goodness.md``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.polynomial.legendre import legval
from scipy.special import ndtr
from scipy.stats import chi2

from phenofit.errors import ModelError

if TYPE_CHECKING:
    from phenofit.flight.result import FlightFit

_DEGREES = (2, 3, 4)
_FEWEST = 20
_PARTS = ("first third", "middle third", "last third")


@dataclass(frozen=True)
class ShapeTest:
    """The smooth test of the shape of the flights.

    Attributes
    ----------
    statistic : float
        Sum of squares; about chi-squared where the curve is right.
    degrees : int
        Three for each flight.
    p_value : float
        Chance of a statistic at least as large.
    parts : DataFrame
        ``flight, part, checks, residual``: mean residual in each third of a flight.
    """

    statistic: float
    degrees: int
    p_value: float
    parts: pd.DataFrame

    def words(self) -> str:
        """Return where the catches lie off the curve."""
        size = self.parts["residual"].abs() * self.parts["checks"] ** 0.5
        worst = self.parts.assign(size=size).sort_values("size", kind="stable").to_dict("records")[-1]
        flight = f" of flight {worst['flight']}" if self.parts["flight"].nunique() > 1 else " of the flight"
        more = "more" if float(worst["residual"]) > 0 else "fewer"
        return f"{more} moths than the curve allows in the {worst['part']}{flight}"


def shape_test(fit: FlightFit, residuals: pd.DataFrame) -> ShapeTest:
    """Test the shape of the fitted flights on the residuals of their checks.

    Parameters
    ----------
    fit : FlightFit
        The fit.
    residuals : DataFrame
        Of :func:`phenofit.flight.check_residuals`.

    Returns
    -------
    ShapeTest

    Raises
    ------
    ModelError
        If fewer than 20 checks have a residual.
    """
    known = residuals.dropna(subset=["residual", "heat"]) if len(residuals) else residuals
    if len(known) < _FEWEST:
        raise ModelError(f"{len(known)} checks have a residual; the shape needs {_FEWEST}.")
    heat, value = (known[name].to_numpy(dtype=np.float64) for name in ("heat", "residual"))
    flights = range(1, fit.settings.flights + 1)
    away = np.array([(heat - fit.requirement(g)) / fit.spread(g) for g in flights])
    nearest = np.argmin(np.abs(away), axis=0)
    statistic, degrees, parts = 0.0, 0, []
    for g in flights:
        mine = nearest == g - 1
        share, residual = ndtr(away[g - 1][mine]), value[mine]
        for k in _DEGREES:
            wave = legval(2.0 * share - 1.0, np.eye(k + 1)[k])
            if np.any(wave):
                statistic += float(residual @ wave) ** 2 / float(wave @ wave)
                degrees += 1
        third = np.minimum((3.0 * share).astype(int), 2)
        parts += [
            (g, _PARTS[j], int((third == j).sum()), float(residual[third == j].mean()))
            for j in range(3)
            if (third == j).any()
        ]
    table = pd.DataFrame(parts, columns=["flight", "part", "checks", "residual"])
    return ShapeTest(statistic, degrees, float(chi2.sf(statistic, degrees)), table)
