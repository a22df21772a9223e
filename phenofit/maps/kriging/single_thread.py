"""One thread for small matrices.

A kriging system of a hundred sites is solved in less time than a second thread needs to start, and on a busy
machine threads that wait for each other make it a hundred times slower.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator


@contextlib.contextmanager
def one_thread() -> Iterator[None]:
    """Limit the linear algebra to one thread inside the block, where threadpoolctl is installed."""
    try:
        from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]
    except ImportError:  # it changes the time and nothing else
        yield
        return
    with threadpool_limits(limits=1, user_api="blas"):
        yield
