r"""Do catches follow the weather of nights? A score test on a fit without that effect.

Notes
-----
With :math:`g` the slope of the log-likelihood in the effect at zero, :math:`i` and :math:`c` its information and that
shared with the fitted parameters, and :math:`V` their covariance, the score :math:`U = g - c' V g_\theta` has the variance
:math:`i - c' V c` where the model holds (Rao 1948, Proc. Camb. Phil. Soc. 44:50-57, from memory; Cox and Hinkley 1974,
*Theoretical Statistics*, from memory). One step from zero gives the effect, :math:`U / (i - c' V c)`.

The p value is that of a likelihood ratio with the degrees of freedom of the effect's own interval: seasons less one. In 100
simulated networks of 4 sites and 5 seasons without an effect it was below 5 % in 4 by the minimum and in 3 by the maximum; of
3 sites and 3 seasons in 5 and in none. The normal reference gave 7 and 4, and 10 and 6.

The two elements of the weather, minimum and maximum, are both tested; the smaller p value is doubled.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from phenofit.errors import ModelError
from phenofit.flight.estimate.setup import public_name
from phenofit.flight.fitted_likelihood import data_of_fit, likelihood_at
from phenofit.flight.fitting import fit_data
from phenofit.flight.intervals.reference_distribution import degrees_of_error, p_value_of_ratio
from phenofit.flight.likelihood.night_weather import NIGHT_WEATHER
from phenofit.flight.likelihood.quadrature import affordable

if TYPE_CHECKING:
    from phenofit.flight.likelihood.flight_data import FlightData
    from phenofit.flight.result import FlightFit
    from phenofit.records import Records

# Slopes to about two digits, which is more than the first-order approximation needs.
_NODES = (9, 5, 7)
LEVEL = 0.02
"""The fit lacks the effect below this p value."""
_STEP = 0.02  # step of differences in the effect [1/degC]
_WORDS = {"tmin": "minimum", "tmax": "maximum"}


@dataclass(frozen=True)
class NightScore:
    """The score test of one element of the weather."""

    element: str  # ``"tmin"`` or ``"tmax"``.
    statistic: float  # Slope of the log-likelihood over its SD; about standard normal without an effect.
    p_value: float  # Two-sided, of this element alone.
    effect: float  # Estimate by one step from zero, or fitted where one step is not reliable [1/degC].


@dataclass(frozen=True)
class NightWeatherTest:
    """Score tests of the effect of night weather on catches.

    Attributes
    ----------
    scores : tuple of NightScore
        By the minimum and by the maximum of the day.
    """

    scores: tuple[NightScore, ...]

    @property
    def strongest(self) -> NightScore:
        """The element that the catches follow most."""
        return min(self.scores, key=lambda score: score.p_value)

    @property
    def p_value(self) -> float:
        """P value of the strongest element, doubled because it is the smaller of two."""
        return min(1.0, len(self.scores) * self.strongest.p_value)

    @property
    def doubtful(self) -> bool:
        """Whether the fit lacks the effect: p value below 0.02."""
        return self.p_value < LEVEL

    def sentence(self) -> str:
        """Say what was found, and what to do about it."""
        p = f"p = {self.p_value:.2g}" if self.p_value >= 0.001 else "p < 0.001"
        if not self.doubtful:
            return f"Catches follow the weather of nights no more than chance allows (score test, {p})."
        best = self.strongest
        change = 100.0 * math.expm1(best.effect)
        return (
            f"Catches follow the weather of nights (score test, {p}): a day whose {_WORDS[best.element]} is 1 °C above the "
            f"usual of its season has about {abs(change):.0f} % {'more' if change > 0 else 'fewer'} catches. Fit the effect "
            f'with night_weather = "{best.element}".'
        )


def night_weather_test(fit: FlightFit, records: Records) -> NightWeatherTest:
    """Test whether the catches of a fit follow the weather of nights, without fitting that effect.

    Parameters
    ----------
    fit : FlightFit
        A fit without the effect.
    records : Records
        What it was fitted to.

    Returns
    -------
    NightWeatherTest
        Statistic, p value and effect by one step, by the minimum and by the maximum of the day.

    Raises
    ------
    ModelError
        If the fit has the effect already, or is a fit of first catches, which cannot show it.
    DataError
        If the records are not those of the fit.

    Notes
    -----
    See the notes of the module. It held its rate of 5 % in simulated networks; see
    ``tests/flight/test_night_score.py``.
    """
    if fit.settings.night_weather is not None:
        raise ModelError(
            "this fit has the effect of night weather already; its interval says what a test would."
        )
    if fit.settings.records == "first catch":
        raise ModelError(
            "a first catch dates the flight itself, so the weather of nights has no effect on it."
        )
    return NightWeatherTest(tuple(_score(fit, records, element) for element in NIGHT_WEATHER))


def _score(fit: FlightFit, records: Records, element: str) -> NightScore:
    data = data_of_fit(fit, records, night=element)
    likelihood, theta = likelihood_at(data, fit)
    likelihood.nodes = affordable(_NODES, likelihood.dims)
    layout = likelihood.layout
    names = [public_name(likelihood, fit.settings, k) for k in range(layout.size)]
    free = [names.index(name) for name in fit.covariance.columns]
    at = layout.places.night
    # The information on the effect, and that which it shares, are slopes of the slopes along the effect alone.
    ahead, behind = (likelihood(_moved(theta, at, sign * _STEP))[1] for sign in (1.0, -1.0))
    information = -(ahead - behind) / (2.0 * _STEP)
    slope = likelihood(theta)[1]
    moved = fit.covariance.to_numpy() @ information[free]
    score = float(slope[at] - moved @ slope[free])
    variance = float(information[at] - moved @ information[free])
    effect = score / variance
    statistic = score / math.sqrt(variance) if variance > 0.0 else math.nan
    if math.isnan(statistic):
        # Far from its best value the likelihood need not be curved downwards; the effect is then fitted.
        effect, statistic = _fitted(fit, data, element)
    degrees = degrees_of_error("night_effect", fit.settings, fit.data, fit.parameters)
    return NightScore(element, statistic, p_value_of_ratio(statistic**2, 1, degrees), effect)


def _fitted(fit: FlightFit, data: FlightData, element: str) -> tuple[float, float]:
    """Return the effect fitted, and the root of its likelihood ratio with the sign of the effect."""
    settings = replace(fit.settings, night_weather=element)
    having = fit_data(data, settings, profiles=False, errors=False)
    effect = having.parameters["night_effect"]
    ratio = max(2.0 * (having.log_likelihood - fit.log_likelihood), 0.0)
    return effect, math.copysign(math.sqrt(ratio), effect)


def _moved(theta: npt.NDArray[np.float64], at: int, step: float) -> npt.NDArray[np.float64]:
    moved = theta.copy()
    moved[at] += step
    return moved
