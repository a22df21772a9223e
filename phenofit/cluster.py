"""Where repeated work is done: on the threads of this machine, or on the workers of a dask cluster."""

from __future__ import annotations

import contextlib
import importlib.util
import sys
from collections.abc import Iterator
from concurrent.futures import Executor, ThreadPoolExecutor

from phenofit.errors import MissingExtraError, ModelError

_PATIENCE = 10  # Seconds to wait for a scheduler.


def on_worker() -> bool:
    """Return whether this thread runs a task of a cluster; many such tasks run at once, so it starts no threads."""
    if "distributed" not in sys.modules:
        return False
    from distributed import get_worker

    try:
        get_worker()
    except ValueError:  # this thread has no worker
        return False
    return True


@contextlib.contextmanager
def cluster_executor(address: str | None) -> Iterator[Executor | None]:
    """Connect to the dask scheduler at an address and give its executor; None for no address.

    Dask arrays that are computed inside are computed on the cluster too. The work of a worker that is lost is done
    again by another one.
    """
    if address is None:
        yield None
        return
    if importlib.util.find_spec("distributed") is None:
        raise MissingExtraError("distributed", "dask", "--scheduler")
    from distributed import Client

    try:
        client = Client(address, timeout=_PATIENCE)  # type: ignore[no-untyped-call]
    except (OSError, TimeoutError, ValueError) as fault:
        raise ModelError(
            f"no scheduler answers at '{address}' ({fault}). Start one with 'dask scheduler', and give the address that "
            "it prints, such as tcp://192.0.2.1:8786."
        ) from fault
    with client:
        if not client.scheduler_info()["workers"]:
            raise ModelError(
                f"the scheduler at '{address}' has no workers. Start at least one with 'dask worker {address}'."
            )
        yield client.get_executor()  # type: ignore[no-untyped-call]


@contextlib.contextmanager
def threads_or_cluster(address: str | None, threads: int) -> Iterator[Executor]:
    """Give the executor of a cluster; without an address, one of `threads` threads."""
    with cluster_executor(address) as there:
        if there is not None:
            yield there
            return
        with ThreadPoolExecutor(threads) as here:
            yield here
