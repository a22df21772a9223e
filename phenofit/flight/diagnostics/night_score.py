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

The two elements of the weather, minimum and maximum, are tested beside each other: the smaller p value is doubled.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from phenofit.errors import ModelError
from phenofit.flight.estimate.maximise import Box, curvature
from phenofit.flight.estimate.setup import public_name
from phenofit.flight.fitted_likelihood import data_of_fit, likelihood_at
from phenofit.flight.intervals.reference_distribution import degrees_of_error, p_value_of_ratio
from phenofit.flight.likelihood.night_weather import NIGHT_WEATHER
from phenofit.flight.likelihood.quadrature import affordable

if TYPE_CHECKING:
    from phenofit.flight.result import FlightFit
    from phenofit.records import Records

# Slopes to about two digits, which is more than the first order is good for.
_NODES = (9, 5, 7)
_DOUBTFUL = 0.05
_WORDS = {"tmin": "minimum", "tmax": "maximum"}


@dataclass(frozen=True)
class NightScore:
    """The score test of one element of the weather."""

    element: str  # ``"tmin"`` or ``"tmax"``.
    statistic: float  # Slope of the log-likelihood over its SD; about standard normal without an effect.
    p_value: float  # Two-sided, of this element alone.
    effect: float  # Estimate by one step from zero [1/degC].


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
        """P value of the strongest element, doubled as it is the better of two."""
        return min(1.0, len(self.scores) * self.strongest.p_value)

    @property
    def doubtful(self) -> bool:
        """Whether the fit lacks the effect: p value below 0.05."""
        return self.p_value < _DOUBTFUL

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
        If the fit has the effect already, or is of first catches, on which nights have none.
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
    likelihood, theta = likelihood_at(data_of_fit(fit, records, night=element), fit)
    likelihood.nodes = affordable(_NODES, likelihood.dims)
    layout = likelihood.layout
    names = [public_name(likelihood, fit.settings, k) for k in range(layout.size)]
    free = np.isin(names, [*fit.covariance.columns, "night_effect"])
    box = Box(np.full(layout.size, -np.inf), np.full(layout.size, np.inf), free)
    step = np.full(layout.size, 0.02)
    step[layout.places.requirement : layout.places.spread] = 0.5
    information = curvature(likelihood, theta, box, step)
    slope = likelihood(theta)[1][free]
    at = int(np.flatnonzero(free).tolist().index(layout.places.night))
    rest = np.arange(len(slope)) != at
    # Base and requirement lie along a ridge, so the entries are brought to one size before they are solved for.
    size = np.sqrt(np.maximum(np.diag(information), 1e-12))[rest]
    shared = information[at, rest] / size
    scaled = information[np.ix_(rest, rest)] / np.outer(size, size)
    moved = np.linalg.lstsq(scaled, shared, rcond=1e-8)[0]
    score = float(slope[at] - (slope[rest] / size) @ moved)
    variance = float(information[at, at] - shared @ moved)
    if not variance > 0.0:
        raise ModelError(
            "the likelihood of this fit is not curved enough for a score test; fit night_weather instead."
        )
    degrees = degrees_of_error("night_effect", fit.settings, fit.data, fit.parameters)
    p_value = p_value_of_ratio(score**2 / variance, 1, degrees)
    return NightScore(element, score / math.sqrt(variance), p_value, score / variance)
