"""Quantile residuals, contributions and influence against enumeration, brute force and refits."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
import pytest
from scipy.special import gammaln
from scipy.stats import kstest, norm

from phenofit.errors import DataError, ModelError
from phenofit.flight import FlightFit
from phenofit.flight.diagnostics.residuals import RESIDUAL_COLUMNS, residuals_of_counts
from phenofit.flight.fitted_likelihood import likelihood_at
from phenofit.flight.likelihood.subset import subset
from tests.calls import check_residuals, contributions, fit_flights, influence
from tests.flight.networks import SEASON, Network, network


def fitted(net: Network, shifts: tuple[str, ...] = ("year", "trap-year")) -> FlightFit:
    return fit_flights(
        net.trap_years, net.weather, net.links, season=SEASON, base=10.0, shifts=shifts, profiles=False
    )


class _Fixed(np.random.Generator):
    """A generator that always draws the same number, to see the end of a step."""

    def __init__(self, value: float) -> None:
        super().__init__(np.random.PCG64(0))
        self.value = value

    def random(self) -> float:  # type: ignore[override]  # one number is all that is asked for
        return self.value


def _chance_of(counts: tuple[int, ...], chance: np.ndarray, phi: float) -> np.ndarray:
    """Dirichlet-multinomial chance at each node (Mosimann 1962)."""
    n, a = np.array(counts), phi * chance
    out = gammaln(n.sum() + 1) - gammaln(n + 1).sum() + gammaln(phi) - gammaln(phi + n.sum())
    return np.asarray(np.exp(out + (gammaln(n + a) - gammaln(a)).sum(axis=1)))


def test_residuals_are_those_of_the_listed_possibilities() -> None:
    # Four moths on three checks, two nodes: every outcome listed, each conditional chance counted from the list.
    chance = np.array([[0.2, 0.5, 0.3], [0.6, 0.3, 0.1]])
    weight, phi, total = np.array([0.35, 0.65]), 3.0, 4
    listed = {
        c: float(weight @ _chance_of(c, chance, phi)) for c in product(range(5), repeat=3) if sum(c) == total
    }
    assert sum(listed.values()) == pytest.approx(1.0)
    for counts in listed:
        low = residuals_of_counts(np.array(counts), chance, weight, phi, _Fixed(0.0))
        high = residuals_of_counts(np.array(counts), chance, weight, phi, _Fixed(1.0))
        for j in range(2):
            given = {c: p for c, p in listed.items() if c[:j] == counts[:j]}
            whole = sum(given.values())
            below = sum(p for c, p in given.items() if c[j] < counts[j]) / whole
            upto = sum(p for c, p in given.items() if c[j] <= counts[j]) / whole
            if sum(counts[:j]) == total:
                assert np.isnan(low[j])
                continue
            assert norm.cdf(low[j]) == pytest.approx(below, abs=1e-9)
            assert norm.cdf(high[j]) == pytest.approx(upto, abs=1e-9)
        assert np.isnan(low[2])


def test_residuals_are_normal_under_the_truth_and_not_under_another_model() -> None:
    net = network(seed=11, sites=20, years=4, shift_sd_year=0.0, shift_sd=25.0)
    fit = fitted(net, ("trap-year",))
    truth = replace(
        fit,
        parameters=fit.parameters
        | {"base": 10.0, "requirement_1": 500.0, "spread_1": 60.0, "shift_sd": 25.0, "concentration": 10.0},
    )
    table = check_residuals(truth, net.trap_years, net.weather, net.links, seed=3)
    assert list(table.columns) == list(RESIDUAL_COLUMNS)
    seen = table["residual"].dropna().to_numpy()
    assert len(seen) > 700
    assert kstest(seen, "norm").pvalue > 0.01
    assert seen.std() == pytest.approx(1.0, abs=0.06)
    # Independent within a trap-year: neighbours do not go together.
    after = table.groupby("trap_year")["residual"].shift(-1)
    assert abs(table["residual"].corr(after)) < 0.08
    assert table.groupby("trap_year")["expected"].sum().to_numpy() == pytest.approx(fit.data["total"])
    narrow = replace(truth, parameters=truth.parameters | {"spread_1": 25.0})
    assert (
        kstest(
            check_residuals(narrow, net.trap_years, net.weather, net.links, seed=3)["residual"].dropna(),
            "norm",
        ).pvalue
        < 1e-3
    )
    calm = replace(truth, parameters={k: v for k, v in truth.parameters.items() if k != "concentration"})
    poor = check_residuals(calm, net.trap_years, net.weather, net.links, seed=3)["residual"].dropna()
    assert poor.std() > 1.3  # swarms read as independent moths
    again = check_residuals(truth, net.trap_years, net.weather, net.links, seed=3)
    pd.testing.assert_frame_equal(again, table)


def test_residuals_of_two_flights_are_finite() -> None:
    net = network(sites=3, years=2, requirements=(300.0, 800.0), spreads=(50.0, 60.0), seed=5)
    fit = fit_flights(
        net.trap_years, net.weather, net.links, season=SEASON, base=10.0, flights=2, profiles=False
    )
    seen = check_residuals(fit, net.trap_years, net.weather, net.links)["residual"].dropna()
    assert np.isfinite(seen).all()
    assert 0.7 < seen.std() < 1.3


def test_a_part_of_the_data_has_the_likelihood_of_its_groups() -> None:
    net = network(sites=4, years=4)
    fit = fitted(net)
    data = net.data()
    likelihood, theta = likelihood_at(data, fit)
    whole = likelihood(theta, False)[0]
    assert whole == pytest.approx(fit.log_likelihood, abs=1e-3)
    years = data.table["year"].to_numpy()
    parts = [likelihood_at(subset(data, years == y), fit)[0](theta, False)[0] for y in np.unique(years)]
    assert sum(parts) == pytest.approx(whole, abs=1e-6)
    with pytest.raises(ModelError, match="no trap-year would be left"):
        subset(data, years < 0)


def test_contributions_add_up() -> None:
    net = network(sites=4, years=4)
    own = fitted(net, ("trap-year",))
    table = contributions(own, net.trap_years, net.weather, net.links)
    assert table["log_likelihood"].sum() == pytest.approx(own.log_likelihood, abs=1e-3)
    # With a shared shift: what is added by one is the whole less the likelihood of the others, by two evaluations.
    fit = fitted(net)
    table = contributions(fit, net.trap_years, net.weather, net.links)
    data = net.data()
    without, theta = likelihood_at(subset(data, np.arange(data.trap_years) != 5), fit)
    assert table["log_likelihood"].iloc[5] == pytest.approx(
        likelihood_at(data, fit)[0](theta, False)[0] - without(theta, False)[0], abs=1e-6
    )


def test_influence_is_that_of_a_refit() -> None:
    net = network(sites=4, years=4)
    fit = fitted(net)
    table = influence(fit, net.trap_years, net.weather, net.links, leave_out="year")
    assert len(table) == 4
    assert table["largest"].is_monotonic_decreasing
    keep = net.trap_years.years["year"].astype(str).to_numpy() != table["left_out"].iloc[0]
    refit = fit_flights(
        net.trap_years.select(keep), net.weather, net.links, season=SEASON, base=10.0, profiles=False
    )
    assert table["requirement_1"].iloc[0] == pytest.approx(refit.requirement(), abs=0.02)
    assert table["requirement_1_change"].iloc[0] == pytest.approx(
        refit.requirement() - fit.requirement(), abs=0.02
    )
    with ThreadPoolExecutor(2) as pool:
        same = influence(fit, net.trap_years, net.weather, net.links, leave_out="year", executor=pool)
    pd.testing.assert_frame_equal(same, table)
    assert table.attrs["units"]["base"] == "degC"


def test_a_spoilt_trap_year_stands_out() -> None:
    # The catches of one trap-year five weeks late, as when dates were mistaken.
    net = network(sites=4, years=3, seed=4, shift_sd_year=0.0)
    intervals = net.trap_years.intervals.copy()
    late = intervals["trap_year"] == 2
    intervals.loc[late, "count"] = intervals.loc[late, "count"].shift(5, fill_value=0).to_numpy()
    years = net.trap_years.years.copy()
    totals = intervals.groupby("trap_year")["count"].sum()
    years["total"] = totals.loc[years["trap_year"]].to_numpy()
    spoilt = replace(net.trap_years, intervals=intervals, years=years)
    fit = fit_flights(
        spoilt, net.weather, net.links, season=SEASON, base=10.0, shifts=("trap-year",), profiles=False
    )
    name = f"{years['trap'].iloc[2]}, {years['season'].iloc[2]}"
    table = influence(fit, spoilt, net.weather, net.links)
    assert table["left_out"].iloc[0] == name


def test_other_records_are_refused() -> None:
    net = network(sites=4, years=4)
    other = network(seed=2, sites=4, years=4)
    with pytest.raises(DataError, match="the fit had"):
        check_residuals(fitted(net), other.trap_years, other.weather, other.links)
    with pytest.raises(DataError, match="the records give"):
        influence(fitted(net), other.trap_years, other.weather, other.links)
    with pytest.raises(ModelError, match="not 'trap'"):
        influence(fitted(net), net.trap_years, net.weather, net.links, leave_out="trap")
    with pytest.raises(ModelError, match="biofix"):
        check_residuals(fitted(net), net.trap_years, net.weather, net.links, starts={})
