"""A model of which every parameter is held: its likelihood is that of the values given."""

from __future__ import annotations

import pytest

from tests.calls import fit_flights
from tests.flight.networks import SEASON, network


def test_a_model_with_nothing_to_fit_has_the_likelihood_of_its_values() -> None:
    n = network(sites=4, years=4)
    records = (n.trap_years, n.weather, n.links)
    best = fit_flights(*records, season=SEASON, base=10.0, profiles=False)
    own = {k: v for k, v in best.parameters.items() if k not in ("base", "stray_share")}
    held = fit_flights(*records, season=SEASON, base=10.0, hold=own)
    assert held.fitted == 0
    assert held.converged
    assert held.profiles == {}
    assert held.covariance.empty
    assert held.log_likelihood == pytest.approx(best.log_likelihood, abs=1e-3)
    assert held.draws(3).nunique().max() == 1
    worse = fit_flights(
        *records, season=SEASON, base=10.0, hold={**own, "requirement_1": own["requirement_1"] + 90.0}
    )
    assert worse.log_likelihood < held.log_likelihood - 5.0
    assert "held" in held.summary()
