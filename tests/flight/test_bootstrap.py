"""Counts drawn anew from a fit, and the interval whose cut they give."""

from __future__ import annotations

import multiprocessing
from concurrent.futures import Executor, ProcessPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2, norm, t

from phenofit.errors import ModelError
from phenofit.flight import BootstrapInterval, FlightFit
from phenofit.flight.fitted_likelihood import likelihood_at
from phenofit.flight.inference.redraw import with_counts
from phenofit.flight.intervals.profile import cut_root, level_of_root
from tests.calls import bootstrap_interval, every_interval, fit_flights, redraw
from tests.flight.networks import SEASON, Network, network


def _fit(net: Network, **settings: object) -> FlightFit:
    return fit_flights(net.trap_years, net.weather, net.links, season=SEASON, profiles=False, **settings)


def test_the_same_counts_laid_on_every_interval_give_the_same_likelihood() -> None:
    net = network(sites=3, years=3)
    fit = _fit(net)
    data = every_interval(fit, net.trap_years, net.weather, net.links)
    frames = dict(iter(net.trap_years.intervals.groupby("trap_year")))
    years = net.trap_years.years.set_index(["trap", "season"])["trap_year"]
    counts = np.concatenate([
        frames[years[row["trap"], row["season"]]]["count"].to_numpy()
        for row in data.table.to_dict("records")
    ]).astype(np.int64)  # fmt: skip
    laid = with_counts(data, counts)
    assert laid.table["total"].tolist() == fit.data["total"].tolist()
    likelihood, theta = likelihood_at(laid, fit)
    assert likelihood(theta, False)[0] == pytest.approx(fit.log_likelihood, abs=2e-4)


YEAR = ("year", "trap-year")
CROSSED = ("year", "site", "trap-year")


@pytest.mark.parametrize(
    ("flights", "shifts"),
    [
        (1, YEAR),
        pytest.param(1, CROSSED, marks=pytest.mark.slow),
        pytest.param(2, YEAR, marks=pytest.mark.slow),
    ],
)
def test_draws_follow_the_model_of_the_likelihood(flights: int, shifts: tuple[str, ...]) -> None:
    # The mean slope of the log-likelihood at the values that draws come from is nought (a property of any
    # likelihood); a wrong draw of shifts, sizes, strays or swarms moves it.
    needs: dict[str, tuple[float, ...]] = {"requirements": (500.0,), "spreads": (60.0,)}
    if flights == 2:
        needs = {"requirements": (400.0, 800.0), "spreads": (50.0, 70.0)}
    net = network(sites=4, years=4, **needs)
    fit = _fit(net, flights=flights, shifts=shifts, stray=0.02, covariates=("latitude",))
    model = redraw(fit, net.trap_years, net.weather, net.links)
    slopes = []
    for k in range(120):
        likelihood, theta = likelihood_at(model.draw((7, k)), fit)
        slopes.append(likelihood(theta)[1])
    found = np.array(slopes)
    error = found.std(axis=0) / np.sqrt(len(found))
    free = error > 0
    assert free.sum() >= 8
    # Twelve slopes or so: beyond 4 standard errors one comes once in a thousand runs.
    assert np.all(np.abs(found.mean(axis=0)[free]) < 4.0 * error[free])


def test_draws_keep_totals_and_checks_and_repeat_with_the_seed() -> None:
    net = network(sites=3, years=3)
    fit = _fit(net)
    model = redraw(fit, net.trap_years, net.weather, net.links)
    one, same, other = (model.draw((1, k)) for k in (0, 0, 1))
    assert np.array_equal(one.catch_count, same.catch_count)
    assert not np.array_equal(one.catch_count, other.catch_count[: len(one.catch_count)])
    assert one.table["total"].tolist() == fit.data["total"].tolist()


def test_the_cut_is_that_of_a_mean_with_a_fitted_variance() -> None:
    # Computed: over samples of n normal values, twice the fall of the log-likelihood from its maximum (variance
    # 1/n) to the true mean; its 95 % point, here from 200,000 samples.
    rng = np.random.default_rng(3)
    for n in (3, 5, 8):
        values = rng.standard_normal((200_000, n))
        fall = n * np.log(np.mean(values**2, axis=1) / values.var(axis=1))
        assert np.sqrt(np.quantile(fall, 0.95)) == pytest.approx(cut_root(0.95, n - 1.0), rel=0.01)
    assert cut_root(0.95, np.inf) ** 2 == pytest.approx(chi2.ppf(0.95, 1))
    assert cut_root(0.95, 1e7) == pytest.approx(norm.ppf(0.975), rel=1e-6)
    assert cut_root(0.95, 4.0) < t.ppf(0.975, 4.0)
    for degrees in (1.0, 3.5, np.inf):
        for level in (0.5, 0.9, 0.999):
            assert level_of_root(cut_root(level, degrees), degrees) == pytest.approx(level)


def _interval(executor: Executor | None, count: int = 19) -> BootstrapInterval:
    net = network(sites=3, years=2)
    fit = _fit(net, base=10.0)
    return bootstrap_interval(
        fit, net.trap_years, net.weather, net.links, "requirement_1", count=count, seed=3, level=0.9,
        executor=executor,
    )  # fmt: skip


def test_interval_lies_where_the_profile_passes_the_cut() -> None:
    net = network(sites=3, years=2)
    call = (net.trap_years, net.weather, net.links)
    found = _interval(None)
    assert len(found.roots) == 19
    assert found.failed == 0
    # 90 %: the 18th of 19 in order.
    assert found.cut == sorted(found.roots)[17]
    assert found.low is not None
    assert found.high is not None
    assert found.low < found.estimate < found.high
    for end in (found.low, found.high):
        held = fit_flights(*call, season=SEASON, base=10.0, hold={"requirement_1": end}, profiles=False)
        free = fit_flights(*call, season=SEASON, base=10.0, profiles=False)
        root = np.sqrt(2.0 * (free.log_likelihood - held.log_likelihood))
        assert root == pytest.approx(found.cut, rel=0.03)


def test_what_cannot_be_bootstrapped_is_refused() -> None:
    net = network(sites=3, years=2)
    fit = _fit(net, base=10.0)
    call = (fit, net.trap_years, net.weather, net.links)
    with pytest.raises(ModelError, match="there is no parameter 'requirement_3'"):
        bootstrap_interval(*call, "requirement_3")
    with pytest.raises(ModelError, match="no profile of 'base'"):
        bootstrap_interval(*call, "base", count=19)
    with pytest.raises(ModelError, match=r"too few for a level of 0\.99; take 99 or more"):
        bootstrap_interval(*call, "requirement_1", count=50, level=0.99)
    first = _fit(net, base=10.0, records="first catch")
    with pytest.raises(ModelError, match="the fit took first catch from the records"):
        redraw(first, net.trap_years, net.weather, net.links)
    rows = net.trap_years.intervals
    odd = replace(net.trap_years, intervals=rows.assign(status=["present", *rows["status"][1:]]))
    with pytest.raises(ModelError, match="not counts but 'present'"):
        redraw(fit, odd, net.weather, net.links)


@pytest.mark.slow
def test_many_independent_moths_give_the_chi_squared_cut() -> None:
    # No shifts, no swarms, many moths: twice the fall of the log-likelihood is chi-squared (Wilks' theorem).
    net = network(sites=6, years=2, concentration=1e6, shift_sd=0.0, shift_sd_year=0.0, moths=200.0)
    fit = _fit(net, base=10.0, shifts=(), counts="multinomial")
    found = bootstrap_interval(
        fit, net.trap_years, net.weather, net.links, "requirement_1", count=199, level=0.9
    )
    # The standard error of the 90 % point of 199 roots is about 0.10.
    assert found.cut == pytest.approx(norm.ppf(0.95), abs=0.3)
    assert np.mean(found.roots**2) == pytest.approx(1.0, abs=4.0 * np.sqrt(2.0 / 199))


@pytest.mark.slow
def test_processes_and_a_cluster_give_the_same_interval() -> None:
    distributed = pytest.importorskip("distributed")
    mine = _interval(None)
    with ProcessPoolExecutor(2, multiprocessing.get_context("spawn")) as pool:
        there = [_interval(pool)]
    with (
        distributed.LocalCluster(
            n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        there.append(_interval(client.get_executor()))
    for found in there:
        assert np.array_equal(found.roots, mine.roots)
        assert (found.low, found.high, found.cut) == (mine.low, mine.high, mine.cut)
