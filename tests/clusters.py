"""A cluster on this machine for tests that run side by side."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest


@contextmanager
def local_cluster(workers: int, *, threads: int = 1, processes: bool = True) -> Iterator[Any]:
    """A cluster of `workers`, with every port free: two tests may each have one at the same time."""
    distributed = pytest.importorskip("distributed", reason="the extra 'dask' is not installed")
    with distributed.LocalCluster(
        n_workers=workers, threads_per_worker=threads, processes=processes, dashboard_address="127.0.0.1:0"
    ) as cluster:
        yield cluster
