"""Seasons of four and five flights go through the diagnostics of a fit."""

from __future__ import annotations

import numpy as np
import pytest

from phenofit.analysis.fit_checks import check_fit
from phenofit.flight import FlightModel, fit_flights
from phenofit.flight.likelihood.quadrature import DEGREE_FIVE, affordable
from phenofit.records import Records
from tests.flight.networks import SEASON, network


def test_a_product_of_nodes_stays_affordable() -> None:
    assert affordable((31, 15, 21), 1) == (31, 15, 21)
    assert affordable((31, 15, 21), 2) == (31, 15, 21)
    assert affordable((31, 15, 21), 3) == (31, 9, 21)
    assert affordable((9, 7, 5), 4) == (9, 5, 5)
    assert affordable((9, 7, 5), 5) == (9, DEGREE_FIVE, 5)


@pytest.mark.slow
@pytest.mark.parametrize("flights", [4, 5])
def test_a_fit_of_many_flights_is_checked_as_one_of_few(flights: int) -> None:
    requirements = (180.0, 400.0, 650.0, 900.0, 1150.0)[:flights]
    n = network(sites=5, years=3, requirements=requirements, spreads=(35.0,) * flights, moths=150.0)
    records = Records(n.trap_years, n.weather, n.links, SEASON)
    model = FlightModel(flights=flights, curve="normal", base=10.0)
    fit = fit_flights(records, model)
    assert fit.converged
    assert not fit.collapsed
    assert [fit.requirement(g) for g in range(1, flights + 1)] == pytest.approx(list(requirements), rel=0.12)
    checks = check_fit(fit, records, min_moths=10, seed=1)
    residuals = checks.residuals["residual"].to_numpy()
    assert abs(float(np.nanmean(residuals))) < 0.15
    assert 0.8 < float(np.nanstd(residuals)) < 1.2
