"""Repeated work on several processes and on a cluster's executor: the same tables."""

from __future__ import annotations

import multiprocessing
from concurrent.futures import Executor, ProcessPoolExecutor

import pandas as pd
import pytest

from tests.calls import fit_flights, influence, plan_network
from tests.clusters import local_cluster
from tests.flight.networks import SEASON, network


def _tables(executor: Executor | None) -> tuple[pd.DataFrame, pd.DataFrame]:
    net = network(sites=3, years=3)
    fit = fit_flights(net.trap_years, net.weather, net.links, season=SEASON, base=10.0, profiles=False)
    moved = influence(fit, net.trap_years, net.weather, net.links, leave_out="year", executor=executor)
    said: list[str] = []
    plan = plan_network(
        fit,
        net.weather,
        sites=[3],
        years=[3],
        networks=2,
        simulations=2,
        executor=executor,
        progress=said.append,
        seed=4,
    )
    # The command line reckons the time left from such counts.
    for step in ("drawn for its information", "drawn and fitted"):
        assert [line for line in said if step in line] == [f"network {step} ({n} of 2)" for n in (1, 2)]
    return moved, plan


@pytest.mark.slow
def test_processes_give_the_same_tables() -> None:
    with ProcessPoolExecutor(2, multiprocessing.get_context("spawn")) as pool:
        there = _tables(pool)
    for mine, theirs in zip(_tables(None), there, strict=True):
        pd.testing.assert_frame_equal(mine, theirs)


@pytest.mark.slow
def test_a_cluster_executor_gives_the_same_tables() -> None:
    distributed = pytest.importorskip("distributed")
    with local_cluster(1, threads=2, processes=False) as cluster, distributed.Client(cluster) as client:
        there = _tables(client.get_executor())
    for mine, theirs in zip(_tables(None), there, strict=True):
        pd.testing.assert_frame_equal(mine, theirs)
