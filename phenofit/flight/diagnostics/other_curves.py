r"""Compare the flight curve that was held with all others.

Notes
-----
Every other curve is fitted with as many parameters. If the held curve and its parameters were right, the likelihood
ratio :math:`L_1 / L_0` against another curve would have the expectation 1 and would exceed :math:`c` with a chance
of at most :math:`1 / c` (Markov's inequality; Royall 2000, J. Am. Stat. Assoc. 95:760-768, from memory). Of several
curves the best is taken, and the chance is multiplied by their number. Both fits have the same number of fitted
parameters, so the bound is conservative; the rates that were counted are in ``reports/goodness.md``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from phenofit.errors import FitError, ModelError
from phenofit.flight.fitted_likelihood import data_of_fit
from phenofit.flight.fitting import search_data
from phenofit.flight.kernels.curves import CURVE_CODES
from phenofit.flight.selection.curve_choice import CURVE_NOTE
from phenofit.flight.selection.starts import vector_of_fit

if TYPE_CHECKING:
    from phenofit.flight.estimate.maximise import Maximum
    from phenofit.flight.result import FlightFit
    from phenofit.records import Records


@dataclass(frozen=True)
class CurveTest:
    """The held curve against the best of all others."""

    held: str
    best: str
    gain: float  # Log-likelihood of the best other curve less that of the held one.
    others: int  # Number of curves that were fitted in addition to the held one.

    @property
    def p_value(self) -> float:
        """Upper bound of the chance of such a gain if the held curve is right."""
        return min(1.0, self.others * math.exp(-max(self.gain, 0.0)))

    def words(self) -> str:
        """Return what was found, and what to do about it."""
        return f'the {self.best} curve describes the catches better than the {self.held} one; fit curve = "choose"'


def curve_test(fit: FlightFit, records: Records) -> CurveTest:
    """Compare the curve of a fit with all others, each fitted to the same records.

    Parameters
    ----------
    fit : FlightFit
        A fit whose curve was held.
    records : Records
        What it was fitted to.

    Returns
    -------
    CurveTest

    Raises
    ------
    ModelError
        If the curve was chosen among several.
    DataError
        If the records are not those of the fit.
    FitError
        If no other curve can be fitted.
    """
    if CURVE_NOTE in fit.provenance:
        raise ModelError("the curve of this fit was chosen among several already.")
    data, near, aic = data_of_fit(fit, records), (vector_of_fit(fit),), {}
    begin: Maximum | None = None
    for name in CURVE_CODES:
        if name != fit.settings.curve:
            try:
                found = search_data(data, replace(fit.settings, curve=name), near, begin)
            except FitError:
                continue
            aic[name], begin = found.aic, found.maximum
    if not aic:
        raise FitError("no other curve can be fitted.")
    best = min(aic, key=lambda name: aic[name])
    return CurveTest(fit.settings.curve, best, 0.5 * (fit.aic - aic[best]), len(aic))
