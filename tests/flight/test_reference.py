"""The reference distribution of a fall of the likelihood."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from phenofit.flight import FitSettings
from phenofit.flight.intervals.profile import cut_root
from phenofit.flight.intervals.reference_distribution import (
    cut_of_ratio,
    degrees_of_error,
    p_value_of_ratio,
    replicates,
)
from tests.flight.networks import HEAT, SEASON

MODEL = FitSettings(SEASON, heat=HEAT)
TABLE = pd.DataFrame({"year": np.repeat(range(5), 8), "site": np.tile(range(8), 5)})


def test_the_scarcer_part_carries_the_error() -> None:
    assert replicates(MODEL, TABLE) == ("year", 5)
    assert replicates(replace(MODEL, shifts=("site", "trap-year")), TABLE) == ("site", 8)
    # Where years and sites cross, the scarcer of the two; where they are as many, the year.
    crossed = replace(MODEL, shifts=("year", "site", "trap-year"))
    assert replicates(crossed, TABLE) == ("year", 5)
    assert replicates(crossed, TABLE.rename(columns={"year": "site", "site": "year"})) == ("site", 5)
    assert replicates(crossed, TABLE[TABLE["site"] < 5]) == ("year", 5)
    assert replicates(crossed, TABLE[TABLE["site"] < 4]) == ("site", 4)
    assert degrees_of_error("base", crossed, TABLE[TABLE["site"] < 4]) == 3.0
    assert replicates(replace(MODEL, shifts=("trap-year",)), TABLE) == ("trap-year", 40)
    assert replicates(replace(MODEL, shifts=()), TABLE) == ("moth", 0)
    assert degrees_of_error("base", MODEL, TABLE) == 4.0
    assert degrees_of_error("requirement_1", replace(MODEL, shifts=("trap-year",)), TABLE) == 39.0
    assert degrees_of_error("shift_sd", MODEL, TABLE) == 35.0
    assert degrees_of_error("size_sd_2", MODEL, TABLE) == 35.0
    assert degrees_of_error("shift_sd", crossed, TABLE) == 27.0
    # Without a shared part one mean is fitted all the same.
    assert degrees_of_error("concentration", replace(MODEL, shifts=("trap-year",)), TABLE) == 39.0
    assert degrees_of_error("shift_sd", MODEL, TABLE.iloc[:1]) == 1.0
    assert math.isinf(degrees_of_error("base", replace(MODEL, shifts=()), TABLE))
    assert degrees_of_error("base", MODEL, TABLE.iloc[:8]) == 1.0


def test_the_site_sd_loses_one_mean_only() -> None:
    # Sites share their weather with others: they say nothing about the base. One number of degrees d has the cut 1 + 3/(2 d).
    sites = replace(MODEL, shifts=("site", "trap-year"))
    assert degrees_of_error("shift_sd_site", sites, TABLE) == 7.0
    assert degrees_of_error("shift_sd_year", MODEL, TABLE) == pytest.approx(3 * 3 / (1 + 2 * 2))
    assert degrees_of_error("shift_sd_year", MODEL, TABLE.iloc[:16]) == pytest.approx(3 * 1 / (1 + 2 * 1))


def test_several_means_with_infinite_or_finite_degrees() -> None:
    # The chi-squared quantile of two degrees of freedom at 95 %, from scipy; and the inverse of the p value.
    assert cut_of_ratio(0.95, 2, math.inf) == pytest.approx(stats.chi2.ppf(0.95, 2))
    assert p_value_of_ratio(stats.chi2.ppf(0.95, 2), 2, math.inf) == pytest.approx(0.05)
    for fitted in (0, 1, 3):
        cut = cut_of_ratio(0.9, 2, 5.0, fitted=fitted)
        assert p_value_of_ratio(cut, 2, 5.0, fitted=fitted) == pytest.approx(0.1)
        # n log(1 + k F / v) with n = v + k + the further means.
        exact = (5 + 2 + fitted) * math.log1p(2 * stats.f.ppf(0.9, 2, 5) / 5)
        assert cut == pytest.approx(exact)


def test_the_year_sd_loses_what_base_and_requirement_use() -> None:
    assert degrees_of_error("shift_sd_year", replace(MODEL, base=10.0), TABLE) == 4.0
    # Computed: a straight line through n normal values; the fall is exactly n log(1 + t^2 / (n - 2)).
    for n in (5, 8, 12):
        table = pd.DataFrame({"year": range(n), "site": 0})
        exact = math.sqrt(n * math.log1p(stats.t.ppf(0.975, n - 2) ** 2 / (n - 2)))
        assert cut_root(0.95, degrees_of_error("shift_sd_year", MODEL, table)) == pytest.approx(
            exact, rel=0.01
        )


def test_p_values_of_several_means() -> None:
    # Computed: k means of n = v + k normal values held at their truth, 100,000 samples; the share of ratios with p
    # below 5 % is 5 % when the reference is exact.
    rng = np.random.default_rng(5)
    k, n = 2, 6
    values = rng.standard_normal((100_000, n))
    # k = 2: the mean and the slope on a fixed covariate.
    design = np.linalg.qr(np.column_stack([np.ones(n), np.arange(n)]))[0]
    whole = (values**2).sum(axis=1)
    left = whole - ((values @ design) ** 2).sum(axis=1)
    ratio = n * np.log(whole / left)
    p = np.array([p_value_of_ratio(float(r), k, float(n - k)) for r in ratio[:20_000]])
    assert np.mean(p < 0.05) == pytest.approx(0.05, abs=0.006)
    assert p_value_of_ratio(3.841458820694124, 1, math.inf) == pytest.approx(0.05)
    assert p_value_of_ratio(1e6, 1, 4.0) == 0.0
    for degrees in (1.0, 4.0):
        assert p_value_of_ratio(cut_root(0.9, degrees) ** 2, 1, degrees) == pytest.approx(0.1)


def test_with_sites_the_degrees_are_those_of_the_part_that_the_error_comes_from() -> None:
    # Satterthwaite by hand: variances of the two means over their degrees of freedom.
    crossed = replace(MODEL, shifts=("year", "site", "trap-year"))
    few = TABLE[TABLE["site"] < 4]
    by_years = {"shift_sd_year": 20.0, "shift_sd_site": 0.5}
    by_sites = {"shift_sd_year": 0.5, "shift_sd_site": 20.0}
    assert degrees_of_error("base", crossed, few, by_years) == pytest.approx(4.0, abs=0.01)
    assert degrees_of_error("base", crossed, few, by_sites) == pytest.approx(3.0, abs=0.01)
    alike = {"shift_sd_year": 20.0, "shift_sd_site": 20.0}
    year, site = 400.0 / 5, 400.0 / 4
    expected = (year + site) ** 2 / (year**2 / 4 + site**2 / 3)
    assert degrees_of_error("base", crossed, few, alike) == min(expected, 4.0)
    # Never more than the years allow, from whose differences the base is fitted.
    assert degrees_of_error("base", crossed, TABLE, by_sites) == 4.0


def test_interval_of_a_balanced_network_is_that_of_restricted_likelihood() -> None:
    """The cut of the plain likelihood ratio gives the interval of REML with Student's t, from statsmodels and scipy."""
    from scipy.optimize import brentq, minimize
    from statsmodels.regression.mixed_linear_model import MixedLM  # type: ignore[import-untyped]

    years, sites = 4, 6
    rng = np.random.default_rng(3)
    values = 500.0 + np.repeat(rng.normal(0.0, 30.0, years), sites) + rng.normal(0.0, 20.0, years * sites)
    year = np.repeat(range(years), sites)
    restricted = MixedLM(values, np.ones((len(values), 1)), groups=year).fit(reml=True)
    half = float(restricted.bse_fe[0]) * stats.t.ppf(0.975, years - 1)
    same_year = np.equal.outer(year, year)

    def least(mean: float) -> float:
        def minus(sds: np.ndarray) -> float:
            between, within = np.exp(2.0 * sds)
            covariance = between * same_year + within * np.eye(len(values))
            return -float(stats.multivariate_normal.logpdf(values, np.full(len(values), mean), covariance))

        return float(minimize(minus, np.log([30.0, 20.0]), method="Nelder-Mead", options={"xatol": 1e-8}).fun)

    middle = float(restricted.fe_params[0])
    table = pd.DataFrame({"year": year, "site": np.tile(range(sites), years)})
    cut = cut_root(0.95, degrees_of_error("requirement_1", MODEL, table)) ** 2
    lowest = least(middle)
    high = brentq(lambda mean: 2.0 * (least(mean) - lowest) - cut, middle, middle + 3.0 * half, xtol=1e-3)
    assert high - middle == pytest.approx(half, rel=1e-3)
