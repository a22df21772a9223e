"""Whether one more flight a season describes the catches better."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from phenofit.errors import ModelError
from phenofit.flight.kernels.curves import curve_code, shares_flown

if TYPE_CHECKING:
    from phenofit.flight.result import FlightFit

_WORDS = ("one flight", "two flights", "three flights", "four flights", "five flights")
_LEVEL = 0.05
_ROUGH = 3.0  # a likelihood ratio this near to its limit decides nothing: several times the error of fits that are not exact
_POINTS = 201  # values of heat that are tried between two flights
_DIP = 0.95  # largest catch between two peaks that counts as a dip, as a share of the smaller peak


def flight_words(number: int) -> str:
    """Return a number of flights in words."""
    return _WORDS[number - 1]


@dataclass(frozen=True)
class Step:
    """A step from fewer flights to more."""

    fewer: int
    more: int
    aic_difference: float  # AIC of more minus that of fewer.
    statistic: float  # Twice the difference of the log-likelihoods.
    degrees: int
    p_value: float
    better: bool
    reason: str  # Why more were not taken; empty where they were.
    exact: bool = True  # Whether the likelihoods are exact; otherwise they are known to some tenths.

    @property
    def close(self) -> bool:
        """Whether fits that are not exact leave the decision open."""
        from scipy.stats import chi2

        return not self.exact and abs(self.statistic - float(chi2.isf(_LEVEL, self.degrees))) < _ROUGH

    def words(self) -> str:
        """Say what the step showed."""
        p = f"about {self.p_value:.3f}" if self.p_value >= 0.0005 else "below 0.001"
        digits = 1 if self.exact else 0
        head = (
            f"{flight_words(self.more).capitalize()} against {flight_words(self.fewer)}: AIC "
            f"{self.aic_difference:+.{digits}f}, likelihood ratio {self.statistic:.{digits}f}, p {p} (chi-squared on "
            f"{self.degrees} degrees of freedom, an approximation)"
        )
        return f"{head}." if self.better else f"{head}; {flight_words(self.fewer)} taken: {self.reason}."


def compare_numbers(fewer: FlightFit, more: FlightFit, *, exact: bool = True) -> Step:
    """Return whether more flights describe the catches better than fewer.

    With one flight fewer, the location and spread of the missing one are not defined, and the likelihood ratio is not
    chi-squared on the number of added parameters. McLachlan (1987, Applied Statistics 36:318-324) proposes twice the
    number of added parameters without the mixing share. Here these are location, spread and SD of the log size.

    A long tail of one flight looks like a further flight. One more is therefore taken only where the expected catches
    have a dip between any two flights that follow each other.
    """
    added = more.settings.flights - fewer.settings.flights
    if added < 1:
        raise ModelError("the second fit is to have more flights than the first.")
    # A collapsed flight describes no catches, but it was searched for: its parameters count.
    parameters = 4 * added + fewer.fitted
    statistic = max(2.0 * (more.log_likelihood - fewer.log_likelihood), 0.0)
    difference = 2.0 * (parameters - fewer.fitted) - statistic
    degrees = 2 * 3 * added
    p = _chance(statistic, degrees)
    reason = ""
    if more.collapsed:
        reason = more.collapsed[0].words().rstrip(".").replace("Flight", "flight", 1)
    elif apart := _without_a_dip(more):
        reason = f"the catches of flights {apart} and {apart + 1} have one peak together, as a single flight with a long tail has"
    elif not more.converged:
        reason = "the search for more did not converge"
    elif difference >= 0.0:
        reason = "the AIC is not lower"
    elif p >= _LEVEL:
        reason = "the difference can be chance"
    return Step(
        fewer.settings.flights,
        more.settings.flights,
        difference,
        statistic,
        degrees,
        p,
        not reason,
        reason,
        exact,
    )


def _without_a_dip(fit: FlightFit) -> int:
    """Return the first flight that has no dip of the expected catches before the next one; 0 where all have."""
    logs = np.array([0.0, *(fit.parameters[f"size_{g}"] for g in range(2, fit.settings.flights + 1))])
    middles = [fit.requirement(g) for g in range(1, fit.settings.flights + 1)]
    code = curve_code(fit.settings.curve)
    for g in range(1, fit.settings.flights):
        # Between the middles the two are highest near their middles, or the one is a shoulder of the other.
        heat = np.linspace(middles[g - 1], middles[g], _POINTS)
        catches = np.zeros(_POINTS - 1)
        for k, middle in enumerate(middles):
            flown = shares_flown(code, heat, np.array([middle]), middle, fit.spread(k + 1))[0]
            catches += math.exp(logs[k]) * np.diff(flown)
        lowest = int(np.argmin(catches))
        if catches[lowest] > _DIP * min(catches[: lowest + 1].max(), catches[lowest:].max()):
            return g
    return 0


def _chance(statistic: float, degrees: int) -> float:
    from scipy.stats import chi2

    return math.nan if math.isnan(statistic) else float(chi2.sf(statistic, degrees))
