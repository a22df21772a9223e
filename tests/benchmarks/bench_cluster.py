"""How well two workers of a cluster share independent fits, against one worker in the same run.

Each worker is a process with one thread. The row's ratio is that of the times; half of it is the efficiency.
"""

from __future__ import annotations

from phenofit.cluster import cluster_executor
from phenofit.flight import FlightModel, fit_flights
from phenofit.records import Records
from tests.benchmarks.measured import Row, against, best
from tests.clusters import local_cluster
from tests.flight.networks import SEASON, network


def _fit(seed: int) -> float:
    made = network(sites=8, years=5, seed=seed)
    records = Records(made.trap_years, made.weather, made.links, SEASON)
    return fit_flights(records, FlightModel(flights=1, curve="normal")).base


def _seconds(workers: int, fits: int) -> float:
    with local_cluster(workers) as cluster, cluster_executor(cluster.scheduler_address) as executor:
        assert executor is not None
        # Each worker imports and loads the kernels once.
        list(executor.map(_fit, range(4 * workers)))
        return best(lambda: list(executor.map(_fit, range(100, 100 + fits))), 1)


def rows(*, small: bool) -> list[Row]:
    """Time fits with intervals on one worker and on two."""
    fits = 8 if small else 40
    one = _seconds(1, fits)
    return [against(f"{fits} fits with intervals, two workers", _seconds(2, fits), "one worker", one)]
