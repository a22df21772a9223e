"""Profiles on other processes and on a cluster's workers give the same bytes as here."""

from __future__ import annotations

from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context

import pytest

from phenofit.flight import FlightFit
from tests.calls import fit_flights
from tests.clusters import local_cluster
from tests.flight.networks import SEASON, network


def _fit(executor: Executor | None, shifts: tuple[str, ...] = ("year", "trap-year")) -> FlightFit:
    net = network(sites=3, years=3)
    return fit_flights(
        net.trap_years,
        net.weather,
        net.links,
        season=SEASON,
        shifts=shifts,
        profiles=("base", "requirement_1"),
        executor=executor,
    )


@pytest.mark.slow
def test_threads_and_processes_change_no_byte() -> None:
    with (
        ThreadPoolExecutor(2) as threads,
        ProcessPoolExecutor(2, mp_context=get_context("spawn")) as processes,
    ):
        for shifts in (("year", "trap-year"), ("year", "site", "trap-year")):
            alone = _fit(None, shifts).to_json()
            assert _fit(threads, shifts).to_json() == alone, shifts
            assert _fit(processes, shifts).to_json() == alone, shifts


@pytest.mark.slow
def test_workers_of_a_cluster_change_no_byte() -> None:
    distributed = pytest.importorskip("distributed")
    with local_cluster(2) as cluster, distributed.Client(cluster) as client:
        assert _fit(client.get_executor()).to_json() == _fit(None).to_json()
