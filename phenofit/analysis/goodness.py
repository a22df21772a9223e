"""Does the model fit? The verdict of several tests, each with a rate of false alarms that was counted.

The rates are in ``reports/goodness.md``; ``python -m tests.benchmarks.bench_goodness`` counts them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import ndtr

from phenofit.errors import ModelError
from phenofit.flight.diagnostics.night_score import LEVEL as NIGHT_LEVEL
from phenofit.flight.diagnostics.shape import shape_test
from phenofit.flight.diagnostics.stations import LEVEL as STATION_LEVEL
from phenofit.validate.requirement_trend import trend_test

if TYPE_CHECKING:
    from phenofit.analysis.fit_checks import FitChecks
    from phenofit.flight import FlightFit

LEVEL = 0.01
"""A test warns below this p value, so that the verdict on a right model warns in about 5 of 100 networks."""
LEVELS = {"sites and their stations": STATION_LEVEL, "night weather": NIGHT_LEVEL}
"""Their own limits, for tests that reject a right model less often than their p values say."""
UNSEEN = (
    "Catches of a few years seldom show a wrong start date, upper threshold or form of the development rate."
)
"""What the verdict cannot detect: the column "best possible" of ``reports/goodness.md``."""
LEAST_STRAY_CHECKS = 2
"""Number of catches more like strays than like the flight from which the verdict warns."""


@dataclass(frozen=True)
class Finding:
    """One respect in which a model may be wrong.

    Attributes
    ----------
    question : str
        The respect, such as ``"night weather"``.
    holds : bool
        Whether the model passes.
    words : str
        What was found, where it does not.
    p_value : float
        P value of the test; NaN where there is a rule and no test.
    """

    question: str
    holds: bool
    words: str = ""
    p_value: float = float("nan")


@dataclass(frozen=True)
class Goodness:
    """The findings on one fit, in a fixed order.

    Attributes
    ----------
    findings : tuple of Finding
        What could be tested.
    """

    findings: tuple[Finding, ...] = ()

    @property
    def warns(self) -> bool:
        """Whether the model fails in any respect."""
        return any(not finding.holds for finding in self.findings)

    def failures(self) -> str:
        """Return in which respects the model does not fit; an empty text where it fits in all."""
        failed = [_failed(finding) for finding in self.findings if not finding.holds]
        if not failed:
            return ""
        return (
            f"The model does not fit in {len(failed)} of {len(self.findings)} respects: {'; '.join(failed)}."
        )

    def sentence(self) -> str:
        """Return the verdict in words; an empty text where nothing was tested."""
        if not self.findings:
            return ""
        passed = ", ".join(finding.question for finding in self.findings if finding.holds)
        if not self.warns:
            return f"The model fits these catches in all that was tested: {passed}. {UNSEEN}"
        return self.failures() + (f" No misfit in: {passed}." if passed else "")


def _failed(finding: Finding) -> str:
    if np.isnan(finding.p_value):
        return f"{finding.question} ({finding.words})"
    chance = f"p = {finding.p_value:.2g}" if finding.p_value >= 0.001 else "p < 0.001"
    return f"{finding.question} ({finding.words}; {chance})"


def goodness(fit: FlightFit, checks: FitChecks, validation: pd.DataFrame) -> Goodness:
    """Judge a fit by its checks and its held-out errors.

    Parameters
    ----------
    fit : FlightFit
        The fit.
    checks : FitChecks
        Its diagnostics.
    validation : DataFrame
        Its held-out forecasts; may be empty.

    Returns
    -------
    Goodness
        What cannot be tested on these records has no finding.
    """
    found = [
        *_shape(fit, checks.residuals),
        *_curve(checks),
        *_single_checks(checks.residuals),
        *_strays(checks.strays),
        *_nights(checks),
        *_stations(checks),
        *_drift(validation),
        *_watched(checks),
    ]
    return Goodness(tuple(found))


def _tested(question: str, words: str, p_value: float) -> Finding:
    return Finding(question, p_value >= LEVELS.get(question, LEVEL), words, p_value)


def _shape(fit: FlightFit, residuals: pd.DataFrame) -> Sequence[Finding]:
    try:
        test = shape_test(fit, residuals)
    except ModelError:
        return ()
    return [_tested("curve shape and number of flights", test.words(), test.p_value)]


def _curve(checks: FitChecks) -> Sequence[Finding]:
    test = checks.curves
    return [] if test is None else [_tested("flight curve", test.words(), test.p_value)]


def _single_checks(residuals: pd.DataFrame) -> Sequence[Finding]:
    known = residuals["residual"].dropna().abs().to_numpy() if len(residuals) else np.empty(0)
    if not known.size:
        return ()
    # Bonferroni: the chance of at least one as large among that number of values.
    p_value = min(1.0, 2.0 * known.size * float(ndtr(-known.max())))
    words = f"the largest residual is {known.max():.1f} SD among {known.size}"
    return [_tested("single checks", words, p_value)]


def _strays(strays: pd.DataFrame) -> Sequence[Finding]:
    if strays.empty:
        return ()
    number = int(strays["claimed"].sum())
    return [
        Finding(
            "strays", number < LEAST_STRAY_CHECKS, f"{number} catches are more like strays than the flight"
        )
    ]


def _nights(checks: FitChecks) -> Sequence[Finding]:
    if checks.night is None:
        return ()
    best = checks.night.strongest
    words = f"catches follow the {'minimum' if best.element == 'tmin' else 'maximum'} of the day"
    return [_tested("night weather", words, checks.night.p_value)]


def _stations(checks: FitChecks) -> Sequence[Finding]:
    stations = checks.records.stations
    if stations is None:
        return ()
    far = stations.table.loc[stations.table["stands_out"], "site"].astype(str)
    named = f", most of all {', '.join(far[:3])}" if len(far) else ""
    words = f"sites differ by more than distance and height of their stations explain{named}"
    return [_tested("sites and their stations", words, stations.p_value)]


def _drift(validation: pd.DataFrame) -> Sequence[Finding]:
    if validation.empty:
        return ()
    first = validation[validation["scheme"] == validation["scheme"].iloc[0]]
    table = trend_test(first[first["event"] == "flight_50"])
    if table.empty:
        return ()
    # The smallest of several p values, times their number.
    worst = table.sort_values("p_value", kind="stable").to_dict("records")[0]
    p_value = min(1.0, float(worst["p_value"]) * len(table))
    words = f"the error moves by {float(worst['slope_days_per_decade']):+.1f} days a decade"
    return [_tested("drift over the years", words, p_value)]


def _watched(checks: FitChecks) -> Sequence[Finding]:
    watched = checks.records.unwatched
    if watched is None:
        return ()
    said = watched.sentences()
    return [Finding("time watched", not said, "a quarter of the trap-years miss an end of a flight")]
