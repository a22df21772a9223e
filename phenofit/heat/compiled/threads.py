"""Work on long arrays split over the processors."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

# Below this many cells a thread costs more than it saves.
_SMALLEST_SHARE = 1 << 16


def processors() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return max(1, os.cpu_count() or 1)


def split_work(size: int, work: Callable[[int, int], int], *, threads: int | None = None) -> int:
    """Call ``work(first, last)`` on shares of ``range(size)`` at the same time, and add up what it returns."""
    count = min(threads if threads is not None else processors(), max(1, size // _SMALLEST_SHARE))
    if count <= 1:
        return work(0, size)
    ends = [size * k // count for k in range(count + 1)]
    with ThreadPoolExecutor(count) as pool:
        return sum(pool.map(work, ends[:-1], ends[1:]))
