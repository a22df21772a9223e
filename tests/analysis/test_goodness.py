"""The verdict on a fit: each rule at its limit, and the sentence; its rates are counted in ``reports/goodness.md``."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from phenofit.analysis.goodness import LEVEL, LEVELS, Finding, Goodness, goodness
from phenofit.flight.diagnostics.other_curves import CurveTest
from tests.forecast.fits import small_fit

FIT = small_fit()
SITES, NIGHTS = LEVELS["sites and their stations"], LEVELS["night weather"]


def checks(**changed: Any) -> Any:
    """Return diagnostics in which nothing is wrong."""
    calm = {
        "residuals": pd.DataFrame(),
        "strays": pd.DataFrame({"claimed": [False, False]}),
        "night": SimpleNamespace(p_value=0.5, strongest=SimpleNamespace(element="tmin")),
        "curves": None,
        "records": SimpleNamespace(stations=None, unwatched=None),
    }
    return SimpleNamespace(**{**calm, **changed})


def finding(question: str, **changed: Any) -> Finding:
    """Return one finding on changed diagnostics."""
    validation = changed.pop("validation", pd.DataFrame())
    found = goodness(FIT, checks(**changed), validation).findings
    return next(one for one in found if one.question == question)


def test_a_calm_fit_passes_in_one_sentence() -> None:
    found = goodness(FIT, checks(), pd.DataFrame())
    assert not found.warns
    assert found.sentence() == (
        "The model fits these catches in all that was tested: strays, night weather. "
        "Catches of a few years seldom show a wrong start date, upper threshold or form of the development rate."
    )
    assert Goodness().sentence() == ""


@pytest.mark.parametrize(("number", "holds"), [(0, True), (1, True), (2, False)])
def test_two_stray_catches_are_a_warning(number: int, holds: bool) -> None:
    assert finding("strays", strays=pd.DataFrame({"claimed": [True] * number + [False]})).holds is holds


@pytest.mark.parametrize(("p_value", "holds"), [(NIGHTS, True), (NIGHTS - 1e-9, False)])
def test_night_weather_at_its_level(p_value: float, holds: bool) -> None:
    night = SimpleNamespace(p_value=p_value, strongest=SimpleNamespace(element="tmax"))
    found = finding("night weather", night=night)
    assert found.holds is holds
    assert found.words == "catches follow the maximum of the day"


@pytest.mark.parametrize(("p_value", "holds"), [(SITES, True), (SITES - 1e-9, False)])
def test_sites_at_their_level(p_value: float, holds: bool) -> None:
    table = pd.DataFrame({"site": ["far", "near"], "stands_out": [True, False]})
    stations = SimpleNamespace(p_value=p_value, table=table)
    found = finding("sites and their stations", records=SimpleNamespace(stations=stations, unwatched=None))
    assert found.holds is holds
    assert found.words.endswith("explain, most of all far")


@pytest.mark.parametrize(("gain", "holds"), [(6.39, True), (6.40, False)])
def test_a_held_curve_at_its_level(gain: float, holds: bool) -> None:
    # log(6 / 0.01) = 6.397: the gain at which the best of six curves is a warning.
    found = finding("flight curve", curves=CurveTest("normal", "gamma", gain, 6))
    assert found.holds is holds
    assert found.words.startswith("the gamma curve describes the catches better")


@pytest.mark.parametrize(("chance", "holds"), [(LEVEL + 1e-3, True), (LEVEL - 1e-3, False)])
def test_a_single_residual_is_judged_among_all(chance: float, holds: bool) -> None:
    # Of 50 residuals the largest has the p value 50 times its own two-sided one (Bonferroni).
    largest = -norm.ppf(chance / 100.0)
    residuals = pd.DataFrame({"residual": [*np.zeros(49), -largest, np.nan], "heat": np.nan})
    found = finding("single checks", residuals=residuals)
    assert found.holds is holds
    assert found.p_value == pytest.approx(chance, rel=1e-9)


def test_drift_takes_the_number_of_flights_into_account() -> None:
    rng = np.random.default_rng(2)
    rows = [
        {"species": "s", "flight": g, "event": "flight_50", "forecaster": "fitted", "lead_days": np.nan, "scheme": "year",
         "year": year, "error_days": (2.0 * (year - 2012) if g == 1 else 0.0) + rng.normal()}
        for g in (1, 2)
        for year in range(2010, 2018)
    ]  # fmt: skip
    found = finding("drift over the years", validation=pd.DataFrame(rows))
    assert not found.holds
    assert found.words.startswith("the error moves by +2")
    calm = pd.DataFrame(rows).assign(error_days=rng.normal(size=len(rows)))
    assert finding("drift over the years", validation=calm).holds


def test_the_sentence_names_what_fails_first() -> None:
    said = Goodness(
        (
            Finding("strays", False, "3 catches"),
            Finding("night weather", False, "warm", 1e-9),
            Finding("shape", True),
        )
    ).sentence()
    assert said == (
        "The model does not fit in 2 of 3 respects: strays (3 catches); night weather (warm; p < 0.001). "
        "No misfit in: shape."
    )
