"""The list of stray catches: a moth out of season is claimed, those of the flight are not, and the shares add up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from phenofit.errors import DataError
from phenofit.flight import FlightFit
from phenofit.flight.diagnostics.strays import STRAY_COLUMNS
from tests.calls import fit_flights, stray_checks
from tests.flight.networks import SEASON, Network, network


@pytest.fixture(scope="module")
def net() -> Network:
    """Four traps, invented, with one moth put into the last check of the first trap-year."""
    plain = network(sites=4, years=3)
    frame = plain.trap_years.intervals.copy()
    last = frame.index[frame["trap_year"] == 0][-1]
    assert frame.loc[last, "count"] == 0
    frame.loc[last, "count"] = 1
    return replace(plain, trap_years=replace(plain.trap_years, intervals=frame))


def fit(net: Network, **options: object) -> FlightFit:
    settings: dict[str, object] = {"base": 10.0, "profiles": False, **options}
    return fit_flights(net.trap_years, net.weather, net.links, season=SEASON, **settings)


def test_the_moth_out_of_season_is_claimed_and_no_other(net: Network) -> None:
    table = stray_checks(fit(net), net.trap_years, net.weather, net.links)
    assert tuple(table.columns) == STRAY_COLUMNS
    assert table["claimed"].sum() == 1
    first = table.iloc[0]
    assert first["count"] == 1
    assert first["share"] > 0.99
    assert first["end"] == net.trap_years.intervals.query("trap_year == 0")["end"].max()
    assert table["share"].is_monotonic_decreasing
    assert table["count"].sum() == net.trap_years.intervals["count"].sum()


def test_without_strays_none_is_claimed(net: Network) -> None:
    table = stray_checks(fit(net, stray=0.0), net.trap_years, net.weather, net.links)
    flight = table[(table["heat"] > 350.0) & (table["heat"] < 650.0)]
    assert flight["share"].max() < 1e-5


def test_a_share_is_bayes_rule_where_nothing_is_hidden(net: Network) -> None:
    # No shift, one flight, independent moths: the share is e d / ((1 - e) q + e d) with the normal curve.
    found = fit(net, shifts=(), counts="multinomial", stray=0.02)
    table = stray_checks(found, net.trap_years, net.weather, net.links)
    trap, season = table[["trap", "season"]].iloc[0]
    part = net.trap_years.intervals.query("trap == @trap and season == @season")
    days = (part["end"] - part["start"]).dt.days.to_numpy(dtype=float)
    own = table[(table["trap"] == trap) & (table["season"] == season)].set_index("start").sort_index()
    data = net.data()
    assert len(own) == (part["count"] > 0).sum()
    # Heat at the ends of the checks, by the sums of the data set.
    heat, _, _ = data.heat_at_edges(10.0, found.settings.heat)
    k = int(np.flatnonzero((data.table["trap"] == trap) & (data.table["season"] == season))[0])
    catches = slice(data.catch_of[k], data.catch_of[k + 1])
    left, right = heat[data.catch_left[catches]], heat[data.catch_right[catches]]
    q = norm.cdf(right, found.requirement(), found.spread()) - norm.cdf(
        left, found.requirement(), found.spread()
    )
    whole = norm.cdf(heat[data.edge_of[k + 1] - 1], found.requirement(), found.spread())
    d = days[(part["count"] > 0).to_numpy()] / days.sum()
    share = 0.02 * d / (0.98 * q / whole + 0.02 * d)
    np.testing.assert_allclose(own["share"], share, rtol=1e-4)


def test_the_records_must_be_those_of_the_fit(net: Network) -> None:
    found = fit(net)
    other = network(sites=4, years=3)
    with pytest.raises(DataError, match="the fit had"):
        stray_checks(found, other.trap_years, other.weather, other.links)
