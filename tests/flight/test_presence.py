"""Records of presence against a generalised linear model: binomial, complementary log-log link.

A check of chance p has a moth with chance ``1 - exp(-mu p)`` where mu are expected in the trap-year, so that log mu is
the intercept of that model and log p its offset (common practice, no source). Fitted by statsmodels.
"""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
import statsmodels.api as sm  # type: ignore[import-untyped]
from scipy.optimize import minimize_scalar

from phenofit.flight.likelihood.log_likelihood import Likelihood
from tests.calls import assemble
from tests.flight.networks import HEAT, SEASON
from tests.flight.test_poisson import STRAY, Floats, chances, records

PLACES = [np.array(p) for p in ((10, 500, 4.1), (9, 560, 4.25), (11, 450, 4.0), (10, 470, 4.4))]


def by_statsmodels(theta: Floats) -> tuple[float, float]:
    """Log-likelihood and log abundance, one abundance for all trap-years."""
    p, n, _ = chances(theta)
    family = sm.families.Binomial(link=sm.families.links.CLogLog())
    caught = (n > 0).astype(float)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = sm.GLM(caught, np.ones((len(p), 1)), family=family, offset=np.log(p)).fit(
            start_params=[3.5], tol=1e-13
        )
    return float(found.llf), float(found.params[0])


def test_presence_is_a_binomial_with_the_complementary_log_log_link() -> None:
    net = records()
    data = assemble(net.trap_years, net.weather, net.links, season=SEASON, records="presence")
    none = np.full(data.trap_years, -1)
    likelihood = Likelihood(
        data, HEAT, "normal", 1, none, own_shift=False, counts="presence", nodes=(3, 3, 3)
    )

    def value(theta: Floats, log_abundance: float) -> float:
        given = dict(zip(("base", "requirement_1", "log spread_1"), theta, strict=True))
        given |= {"logit stray": math.log(STRAY / (1 - STRAY)), "log abundance": log_abundance}
        given["log abundance_sd"] = -12.0  # one abundance for all
        return likelihood(np.array([given.get(n, 0.0) for n in likelihood.layout.names]), False)[0]

    for theta in PLACES:
        highest, log_abundance = by_statsmodels(theta)
        best = minimize_scalar(
            lambda x, t=theta: -value(t, x), bracket=(2.0, 5.0), method="brent", options={"xtol": 1e-9}
        )
        assert -best.fun == pytest.approx(highest, rel=1e-6)
        assert best.x == pytest.approx(log_abundance, abs=1e-4)
