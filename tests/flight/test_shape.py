"""The smooth test of the shape of a flight: by hand, its rate, and flights of another shape."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2, norm

from phenofit.errors import ModelError
from phenofit.flight import check_residuals, fit_flights
from phenofit.flight.diagnostics.shape import shape_test
from phenofit.flight.model import FlightModel
from phenofit.records import Records
from tests.forecast.fits import small_fit
from tests.recovery.other_truths import Truth, draw_network, normal, skewed

FIT = small_fit()


def rows(share: np.ndarray, residual: np.ndarray) -> pd.DataFrame:
    """Return residuals at shares of the flight of the small fit."""
    heat = FIT.requirement() + FIT.spread() * norm.ppf(share)
    return pd.DataFrame({"heat": heat, "residual": residual})


def test_the_statistic_by_hand() -> None:
    share = (np.arange(60) + 0.5) / 60
    residual = np.sin(7.0 * share) + 0.3
    x = 2.0 * share - 1.0
    # Legendre polynomials of degree 2, 3, 4 (Abramowitz and Stegun 1972, 22.4, from memory).
    waves = ((3 * x**2 - 1) / 2, (5 * x**3 - 3 * x) / 2, (35 * x**4 - 30 * x**2 + 3) / 8)
    wanted = sum((residual @ wave) ** 2 / (wave @ wave) for wave in waves)
    found = shape_test(FIT, rows(share, residual))
    assert found.statistic == pytest.approx(wanted, rel=1e-9)
    assert found.degrees == 3
    assert found.p_value == pytest.approx(chi2.sf(wanted, 3), rel=1e-9)


def test_independent_residuals_are_rejected_at_the_nominal_rate() -> None:
    rng = np.random.default_rng(5)
    share = rng.random((2000, 80))
    p = [shape_test(FIT, rows(s, rng.standard_normal(80))).p_value for s in share]
    # The binomial error of 5 % in 2000 is 0.5 %.
    assert np.mean(np.array(p) < 0.05) == pytest.approx(0.05, abs=0.015)


def test_the_words_say_where_the_moths_are() -> None:
    share = (np.arange(90) + 0.5) / 90
    late = shape_test(FIT, rows(share, np.where(share > 0.7, 2.0, -0.2)))
    assert late.words() == "more moths than the curve allows in the last third of the flight"
    few = shape_test(FIT, rows(share, np.where(abs(share - 0.5) < 0.16, -2.0, 0.2)))
    assert few.words() == "fewer moths than the curve allows in the middle third of the flight"


def test_few_checks_are_refused() -> None:
    with pytest.raises(ModelError, match="19 checks have a residual"):
        shape_test(FIT, rows(np.linspace(0.1, 0.9, 19), np.zeros(19)))
    with pytest.raises(ModelError, match="0 checks"):
        shape_test(FIT, pd.DataFrame())


@pytest.mark.parametrize(
    ("truth", "found"),
    [(Truth(), False), (Truth((skewed("gamma"),)), True), (Truth((normal(350.0), normal(620.0))), True)],
    ids=["normal", "skewed", "two flights"],
)
def test_a_normal_curve_on_flights_of_another_shape(truth: Truth, found: bool) -> None:
    network = draw_network(truth, "champion", seed=(3, 1))
    records: Records = network.records()
    fit = fit_flights(records, FlightModel(curve="normal"), profiles=False)
    assert (shape_test(fit, check_residuals(fit, records, seed=1)).p_value < 0.05) is found
