"""Rearing data as a term: its values, slopes and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import approx_fprime, minimize
from scipy.stats import multivariate_normal, norm

from phenofit.errors import ModelError
from phenofit.flight import RearingTerm, published_rearing, rearing_term
from phenofit.heat import fit_rearing

# Gastrophysa viridula, egg to adult (a beetle; Honek et al., Eur. J. Entomol., read on a catalogue page): lower
# threshold 7.1 degC, 304.6 degree-days. Standard errors 1.895 and 35.056 computed by the formulas of Campbell et al.
WARMTH, DAYS = [18.0, 21.5, 25.0, 28.0], [28.2, 21.6, 16.1, 15.0]
BOTH = "base and requirement"


def terms() -> list[RearingTerm]:
    reared = fit_rearing(WARMTH, DAYS)
    return [
        rearing_term(reared, kind=kind, on=on) for kind in ("normal", "durations") for on in ("base", BOTH)
    ]


@pytest.mark.parametrize("term", terms(), ids=lambda t: f"{t.kind}, {t.on}")
def test_slopes_are_those_of_differences(term: RearingTerm) -> None:
    def value_at(x: np.ndarray) -> float:
        return term.value_and_slope(float(x[0]), float(x[1]))[0]

    for base, requirement in ((7.1, 304.6), (9.0, 250.0), (4.0, 400.0)):
        value, slopes = term.value_and_slope(base, requirement)
        assert value <= 0.0
        step = approx_fprime(np.array([base, requirement]), value_at, 1e-6)
        np.testing.assert_allclose(slopes, step, rtol=1e-3, atol=1e-5)


@pytest.mark.parametrize("term", terms(), ids=lambda t: f"{t.kind}, {t.on}")
def test_it_is_zero_at_the_published_values(term: RearingTerm) -> None:
    value, slopes = term.value_and_slope(7.095077, 304.554883)
    assert value == pytest.approx(0.0, abs=1e-8)
    np.testing.assert_allclose(slopes, 0.0, atol=1e-5)


def test_the_prior_is_a_normal_density() -> None:
    reared = fit_rearing(WARMTH, DAYS)
    alone = rearing_term(reared)
    gap = norm.logpdf(9.0, reared.base, 1.894889) - norm.logpdf(reared.base, reared.base, 1.894889)
    assert alone.value_and_slope(9.0, 0.0)[0] == pytest.approx(gap, rel=1e-5)
    both = rearing_term(reared, on=BOTH)
    spread = [[1.894889**2, reared.covariance], [reared.covariance, 35.055851**2]]
    law = multivariate_normal([reared.base, reared.requirement], spread)
    gap = law.logpdf([8.0, 290.0]) - law.logpdf([reared.base, reared.requirement])
    assert both.value_and_slope(8.0, 290.0)[0] == pytest.approx(gap, rel=1e-4)


def test_the_durations_are_a_normal_likelihood_of_the_rates() -> None:
    # Outside answer: normal densities of the rates, residual SD (and on the base alone the slope) maximised by scipy.
    rate, warmth = 1.0 / np.array(DAYS), np.array(WARMTH)

    def highest(base: float, requirement: float | None) -> float:
        def fall(x: np.ndarray) -> float:
            line = (warmth - base) / (requirement if requirement is not None else np.exp(x[1]))
            return -float(np.sum(norm.logpdf(rate, line, np.exp(x[0]))))

        begin = [np.log(2e-3)] + ([np.log(300.0)] if requirement is None else [])
        return -float(
            minimize(fall, begin, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11}).fun
        )

    top = highest(7.095077, 304.554883)
    reared = fit_rearing(WARMTH, DAYS)
    alone, both = (rearing_term(reared, kind="durations", on=on) for on in ("base", BOTH))
    for base, requirement in ((6.0, 320.0), (8.5, 280.0)):
        assert both.value_and_slope(base, requirement)[0] == pytest.approx(
            highest(base, requirement) - top, abs=1e-6
        )
        assert alone.value_and_slope(base, 1.0)[0] == pytest.approx(highest(base, None) - top, abs=1e-6)


def test_a_published_line_has_the_covariance_of_the_linear_method() -> None:
    reared = fit_rearing(WARMTH, DAYS)
    told = published_rearing(
        base=reared.base,
        base_se=reared.base_se,
        requirement=reared.requirement,
        requirement_se=reared.requirement_se,
        mean_temperature=float(np.mean(WARMTH)),
        source="invented",
    )
    assert told.covariance == pytest.approx(reared.covariance)
    assert told.on == BOTH
    words = told.describe()
    assert (
        "base 7.10 degC (standard error 1.89), requirement 304.6 degC d (standard error 35.1); invented"
        in words
    )
    assert published_rearing(base=7.1, base_se=1.9).on == "base"


def test_what_cannot_be_a_term_is_refused() -> None:
    reared = fit_rearing(WARMTH, DAYS)
    with pytest.raises(ModelError, match="normal or durations, not as 'gamma'"):
        rearing_term(reared, kind="gamma")
    with pytest.raises(ModelError, match="base or the base and requirement"):
        rearing_term(reared, on="requirement")
    with pytest.raises(ModelError, match="need the linear method"):
        rearing_term(fit_rearing(WARMTH, DAYS, method="reduced major axis"), kind="durations")
    with pytest.raises(ModelError, match="lie on a line"):
        rearing_term(fit_rearing([15.0, 20.0, 25.0], [20.0, 10.0, 20.0 / 3.0]))
    with pytest.raises(ModelError, match="standard error above zero"):
        published_rearing(base=7.1, base_se=0.0)
    with pytest.raises(ModelError, match="mean rearing temperature"):
        published_rearing(base=7.1, base_se=1.9, requirement=300.0)
    with pytest.raises(ModelError, match="larger than the standard errors allow"):
        published_rearing(
            base=7.1, base_se=0.1, requirement=300.0, requirement_se=35.0, mean_temperature=23.0
        )
    with pytest.raises(ModelError, match="three different"):
        RearingTerm("durations", "base", 7.0, 1.0, temperature=(15.0, 20.0), duration=(20.0, 10.0))
