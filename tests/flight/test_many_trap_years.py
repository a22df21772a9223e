"""Very many trap-years: the search begins on some of the sites and ends where it would have ended on all."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from phenofit.flight import FlightFit
from phenofit.flight.estimate import search
from phenofit.flight.likelihood import log_likelihood
from phenofit.flight.likelihood.log_likelihood import Likelihood
from phenofit.flight.likelihood.subset import subset
from tests.calls import fit_flights
from tests.flight.networks import HEAT, SEASON, Network, network


def fit(net: Network, shifts: tuple[str, ...], flights: int) -> FlightFit:
    return fit_flights(
        net.trap_years, net.weather, net.links, season=SEASON, shifts=shifts, flights=flights, profiles=False
    )


def searched(fit: FlightFit, name: str) -> float:
    """Return a parameter on the scale of its standard error."""
    value = fit.parameters[name.removeprefix("log ")]
    return float(np.log(value)) if name.startswith("log ") else value


@pytest.mark.parametrize(
    ("shifts", "flights"),
    [(("year", "trap-year"), 1), (("year", "site", "trap-year"), 1), (("site", "trap-year"), 2)],
)
def test_a_search_on_some_sites_first_ends_at_the_same_maximum(
    shifts: tuple[str, ...], flights: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    net = network(
        sites=12,
        years=4,
        shift_sd_site=15.0,
        requirements=(350.0, 900.0)[:flights],
        spreads=(50.0, 60.0)[:flights],
    )
    asked: list[int] = []
    whole = fit(net, shifts, flights)
    some = Likelihood.of_some

    def counted(self: Likelihood, keep: np.ndarray) -> Likelihood:
        asked.append(int(keep.sum()))
        return some(self, keep)

    monkeypatch.setattr(Likelihood, "of_some", counted)
    monkeypatch.setattr(search, "_MANY", 47)
    monkeypatch.setattr(search, "_FEW", 13)
    again = fit(net, shifts, flights)
    assert asked == [16]  # four whole sites
    assert again.log_likelihood == pytest.approx(whole.log_likelihood, abs=2e-3)
    errors = np.sqrt(np.diag(whole.covariance))
    for name, error in zip(whole.covariance.columns, errors, strict=True):
        before, after = (searched(one, name) for one in (whole, again))
        assert after == pytest.approx(before, abs=0.05 * error), name


def test_at_the_limit_all_trap_years_are_searched(monkeypatch: pytest.MonkeyPatch) -> None:
    net = network(sites=4, years=3)
    monkeypatch.setattr(search, "_MANY", 12)
    monkeypatch.setattr(Likelihood, "of_some", lambda *_: pytest.fail("some were enough"))
    fit(net, ("year", "trap-year"), 1)


def test_sites_are_taken_whole_until_they_have_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(search, "_FEW", 8)
    site = pd.Series(["north"] * 3 + ["south"] * 5 + ["hill"] * 4 + ["north"] * 2)
    keep = search._of_some_sites(site)
    taken = set(site[keep])
    assert keep.sum() == site.isin(taken).sum() >= 8
    assert (search._of_some_sites(site) == keep).all()
    monkeypatch.setattr(search, "_FEW", 14)
    assert search._of_some_sites(site).all()


@pytest.mark.parametrize("sites", [3, 40])
def test_nodes_of_one_shift_serve_for_those_near_it(sites: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """The reference: nodes of their own for every shift of the year."""
    data = network(sites=sites, years=3).data()
    likelihood = Likelihood(data, HEAT, "normal", 1, data.table["year"].to_numpy(), nodes=(15, 9, 11))
    theta = np.zeros(likelihood.layout.size)
    theta[:7] = [9.5, 520.0, *np.log([60.0, 10.0, 20.0, 20.0]), -7.0]
    value, slope = likelihood(theta)
    monkeypatch.setattr(log_likelihood, "_EXACT_REACH", 0.0)
    likelihood.forget()
    own, own_slope = likelihood(theta)
    assert value == pytest.approx(own, abs=1e-6)
    assert slope == pytest.approx(own_slope, rel=1e-5, abs=1e-5)


def test_the_likelihood_of_some_is_that_of_their_data() -> None:
    data = network(sites=5, years=3).data()
    year, site = data.table["year"].to_numpy(), pd.factorize(data.table["site"])[0]
    keep = np.isin(site, [0, 3])
    keep[1] = False
    settings = HEAT, "normal", 1
    some = Likelihood(data, *settings, year, crossed=site).of_some(keep)
    alone = Likelihood(subset(data, keep), *settings, year[keep], crossed=site[keep])
    theta = np.zeros(some.layout.size)
    theta[:7] = [9.5, 520.0, *np.log([60.0, 10.0, 20.0, 20.0]), -7.0]
    found, expected = some(theta), alone(theta)
    assert found[0] == expected[0]
    assert (found[1] == expected[1]).all()
