"""Upper threshold and stray share, fitted rather than held."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from phenofit.errors import ModelError
from phenofit.flight.likelihood.log_likelihood import Likelihood
from phenofit.heat.settings import HeatSettings
from tests.calls import fit_flights
from tests.flight.networks import SEASON, network


@pytest.mark.parametrize("cutoff", ["horizontal", "intermediate"])
def test_slope_in_the_upper_threshold(cutoff: str) -> None:
    net = network(sites=3, years=3)
    data = net.data()
    heat = HeatSettings(upper=26.0, cutoff=cutoff)
    likelihood = Likelihood(data, heat, "normal", 1, data.table["year"].to_numpy(), nodes=(21, 9, 15))
    theta = np.zeros(likelihood.layout.size)
    theta[:6] = [10.3, 480.0, math.log(63.0), math.log(9.0), math.log(17.0), math.log(19.0)]
    theta[likelihood.layout.index("logit stray")] = -6.0
    at = likelihood.layout.index("upper")
    theta[at] = 25.3
    likelihood(theta)
    _, slope = likelihood(theta)
    up, down = theta.copy(), theta.copy()
    up[at] += 1e-3
    down[at] -= 1e-3
    difference = (likelihood(up, False)[0] - likelihood(down, False)[0]) / 2e-3
    assert abs(difference) > 0.01
    assert slope[at] == pytest.approx(difference, rel=1e-3, abs=1e-4)


def test_upper_threshold_is_fitted_or_said_not_to_be_fixed() -> None:
    net = network(sites=8, years=5, heat=HeatSettings(upper=24.0), requirements=(700.0,))
    call = (net.trap_years, net.weather, net.links)
    free = fit_flights(
        *call, season=SEASON, base=10.0, upper_range=(18.0, 35.0), profiles=("upper", "requirement_1")
    )
    held = fit_flights(*call, season=SEASON, base=10.0, heat=HeatSettings(upper=24.0), profiles=False)
    assert free.log_likelihood >= held.log_likelihood - 1e-3
    assert free.settings.heat.upper == free.parameters["upper"]
    low, high = free.interval("upper")
    assert low is None or low < 24.0
    assert high is None or high > 24.0
    if high is None:
        assert any("upper threshold" in problem for problem in free.problems)
    row = free.estimates.set_index("parameter").loc["upper"]
    assert row["unit"] == "degC"


def test_upper_threshold_must_lie_above_the_base() -> None:
    net = network(sites=2, years=2)
    with pytest.raises(ModelError, match="vertical cut-off"):
        fit_flights(
            net.trap_years,
            net.weather,
            net.links,
            season=SEASON,
            heat=HeatSettings(upper=30.0, cutoff="vertical"),
            upper_range=(25.0, 35.0),
        )
    with pytest.raises(ModelError, match="above the base"):
        fit_flights(
            net.trap_years, net.weather, net.links, season=SEASON, base=20.0, upper_range=(18.0, 30.0)
        )


def test_stray_share_is_fitted() -> None:
    """One moth in fifty far out of season: the fitted share sees them, and the base stays where it was."""
    net = network(sites=6, years=4, moths=100.0, concentration=200.0)
    table = net.trap_years.intervals.copy()
    late = table.groupby("trap_year").tail(3).groupby("trap_year").head(1).index
    table.loc[late, "count"] = table.loc[late, "count"] + 2
    dirty = replace(net.trap_years, intervals=table)
    call = (net.weather, net.links)
    clean = fit_flights(net.trap_years, *call, season=SEASON, profiles=("base",))
    fitted = fit_flights(dirty, *call, season=SEASON, stray="fit", profiles=("base", "stray_share"))
    none = fit_flights(dirty, *call, season=SEASON, stray=0.0, profiles=False)
    low, high = fitted.interval("stray_share")
    # Two late ones in about a hundred, and strays come evenly over the season.
    assert low is not None
    assert high is not None
    assert 0.005 < low < fitted.parameters["stray_share"] < high < 0.08
    assert fitted.base == pytest.approx(clean.base, abs=0.5)
    assert fitted.aic < none.aic - 10
    nothing = fit_flights(net.trap_years, *call, season=SEASON, stray="fit", profiles=("stray_share",))
    assert nothing.interval("stray_share")[0] == 0.0
    with pytest.raises(ModelError, match="'fit'"):
        fit_flights(dirty, *call, season=SEASON, stray="guess")
