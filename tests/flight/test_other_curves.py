"""A held flight curve against all others: by separate fits, on flights of another shape, and what it refuses."""

from __future__ import annotations

import math
from functools import cache

import pytest

from phenofit.errors import ModelError
from phenofit.flight import CURVE_CODES, FlightFit, FlightModel, fit_flights
from phenofit.flight.diagnostics.other_curves import CurveTest, curve_test
from phenofit.records import Records
from tests.recovery.other_truths import Truth, draw_network, skewed


@cache
def held(skew: bool) -> tuple[FlightFit, Records]:
    """Return a fit with the normal curve held, to normal or to skewed flights, and its records."""
    truth = Truth((skewed("gamma"),)) if skew else Truth()
    records = draw_network(truth, "champion", seed=(3, 1)).records()
    return fit_flights(records, FlightModel(curve="normal"), profiles=False), records


def test_the_gain_is_that_of_separate_fits() -> None:
    fit, records = held(True)
    found = curve_test(fit, records)
    # Outside answer: each curve fitted on its own, without a start from the held one.
    values = {
        name: fit_flights(records, FlightModel(curve=name), profiles=False).log_likelihood
        for name in CURVE_CODES
        if name != "normal"
    }
    assert found.best == max(values, key=lambda name: values[name])
    assert found.gain == pytest.approx(max(values.values()) - fit.log_likelihood, abs=0.05)
    assert found.others == len(values)


@pytest.mark.parametrize("skew", [False, True], ids=["right", "wrong"])
def test_a_wrong_curve_is_found_and_a_right_one_is_not(skew: bool) -> None:
    assert (curve_test(*held(skew)).p_value < 0.01) is skew


def test_the_bound_by_hand() -> None:
    found = CurveTest("normal", "gamma", 8.0, 6)
    assert found.p_value == pytest.approx(6.0 * math.exp(-8.0), rel=1e-12)
    assert CurveTest("normal", "gamma", -3.0, 6).p_value == 1.0
    assert found.words() == (
        'the gamma curve describes the catches better than the normal one; fit curve = "choose"'
    )


def test_a_chosen_curve_is_not_tested_again() -> None:
    records = held(False)[1]
    chosen = fit_flights(records, FlightModel(curve=("normal", "logistic")), profiles=False)
    with pytest.raises(ModelError, match="was chosen among several"):
        curve_test(chosen, records)
