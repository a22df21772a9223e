"""Base and requirement from constant-temperature rearing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from phenofit.errors import DataError, ModelError
from phenofit.heat import fit_rearing

# Gastrophysa viridula, a leaf beetle, egg to adult: temperatures, durations and result read in one abstract
# (Honek, Jarosik and Martinkova 2003, Eur. J. Entomol. 100, 295-300): threshold 7.1 degC, 304.6 degC d.
WARMTH = [18.0, 21.5, 25.0, 28.0]
DAYS = [28.2, 21.6, 16.1, 15.0]


def test_published_threshold_and_requirement() -> None:
    fit = fit_rearing(WARMTH, DAYS)
    assert round(fit.base, 1) == 7.1
    assert round(fit.requirement, 1) == 304.6
    # Further digits and the standard errors are computed (independent code of ours), not published.
    values = [fit.base, fit.requirement, fit.base_se, fit.requirement_se, fit.r_squared]
    np.testing.assert_allclose(values, [7.095077, 304.554883, 1.894889, 35.055851, 0.974186], atol=6e-7)


def test_reduced_major_axis_is_another_estimator() -> None:
    fit = fit_rearing(WARMTH, DAYS, method="reduced major axis")
    np.testing.assert_allclose([fit.base, fit.requirement], [7.795982, 290.951261], atol=6e-7)  # computed


def test_published_standard_error_is_the_delta_method() -> None:
    # An independent regression, its covariance carried through t = -a/c and K = 1/c by the delta method.
    rng = np.random.default_rng(8)
    for _ in range(20):
        warmth = rng.uniform(12.0, 32.0, 9)
        rate = (warmth - 9.0) / 400.0 * rng.normal(1.0, 0.04, 9)
        (c, a), uncertainty = np.polyfit(warmth, rate, 1, cov=True)
        gradient = np.array([[a / c**2, -1.0 / c], [-1.0 / c**2, 0.0]])
        covariance = gradient @ uncertainty @ gradient.T
        fit = fit_rearing(warmth, 1.0 / rate)
        assert fit.base == pytest.approx(-a / c, rel=1e-9)
        assert fit.base_se == pytest.approx(np.sqrt(covariance[0, 0]), rel=1e-9)
        assert fit.requirement_se == pytest.approx(np.sqrt(covariance[1, 1]), rel=1e-9)
        assert fit.covariance == pytest.approx(covariance[0, 1], rel=1e-9)


def test_standard_errors_of_the_major_axis_are_those_of_least_squares() -> None:
    warmth, days = np.array(WARMTH), np.array(DAYS)
    fit = fit_rearing(WARMTH, DAYS, method="reduced major axis")
    uncertainty = np.sqrt(np.diag(np.polyfit(days, days * warmth, 1, cov=True)[1]))
    assert [fit.base_se, fit.requirement_se] == pytest.approx(uncertainty, rel=1e-8)
    assert fit.r_squared == pytest.approx(np.corrcoef(days, days * warmth)[0, 1] ** 2, rel=1e-8)


def test_interval_holds_the_truth_about_as_often_as_it_says() -> None:
    # Simulated durations with known base 9 and requirement 400; 95 % intervals by Student's t.
    rng = np.random.default_rng(9)
    held = 0
    for _ in range(400):
        warmth = np.linspace(15.0, 30.0, 6)
        rate = (warmth - 9.0) / 400.0 + rng.normal(0.0, 0.001, 6)
        low, high = fit_rearing(warmth, 1.0 / rate).interval("base")
        held += low <= 9.0 <= high
    assert 0.92 <= held / 400 <= 0.98


def test_points_left_out_are_kept_and_told() -> None:
    fit = fit_rearing([*WARMTH, 35.0], [*DAYS, 22.0], use=[True] * 4 + [False])
    assert fit.base == pytest.approx(fit_rearing(WARMTH, DAYS).base)
    assert (fit.points, fit.temperature.size) == (4, 5)
    assert fit.summary().endswith("Left out by the user: 35 °C.")
    assert fit.rate([5.0, fit.base + 10.0]).tolist() == [0.0, pytest.approx(10.0 / fit.requirement)]


def test_fahrenheit_gives_the_same() -> None:
    fit = fit_rearing([1.8 * t + 32.0 for t in WARMTH], DAYS, unit="degF")
    assert fit.base == pytest.approx(7.095077, abs=6e-7)
    assert fit.requirement == pytest.approx(304.554883, abs=6e-7)


@pytest.mark.parametrize(
    ("warmth", "days", "options", "error", "message"),
    [
        (WARMTH, [28.2, 0.0, 16.1, 15.0], {}, DataError, r"row 2: temperature 21.5, duration 0"),
        (WARMTH, [28.2, np.nan, 16.1, -1.0], {}, DataError, "2 problems"),
        ([20.0, 25.0], [20.0, 15.0], {}, DataError, "2 different temperatures"),
        (WARMTH, DAYS[:3], {}, DataError, "same length"),
        (WARMTH, DAYS[::-1], {}, ModelError, "does not get faster"),
        (WARMTH, DAYS[::-1], {"method": "reduced major axis"}, ModelError, "does not get faster"),
        (WARMTH, DAYS, {"method": "cubic"}, ModelError, "accepted are linear, reduced major axis"),
    ],
)
def test_refusals(
    warmth: Any, days: Any, options: dict[str, Any], error: type[Exception], message: str
) -> None:
    with pytest.raises(error, match=message):
        fit_rearing(warmth, days, **options)
    with pytest.raises(ModelError, match="'base' or 'requirement'"):
        fit_rearing(WARMTH, DAYS).interval("slope")
