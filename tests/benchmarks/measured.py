"""What every benchmark returns: rows of a name, a value with its unit, and the ratio to a peer."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import NamedTuple


class Row(NamedTuple):
    """One thing measured. The ratio is that of the peer's time to ours: more is better."""

    name: str
    value: float
    unit: str = "s"
    peer: str = ""
    ratio: float | None = None


def best(work: Callable[[], object], times: int = 3) -> float:
    """Return the shortest of a few runs [s]."""
    found = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        found.append(time.perf_counter() - begun)
    return min(found)


def against(name: str, seconds: float, peer: str, peer_seconds: float) -> Row:
    """Return a time beside that of a peer in the same run."""
    return Row(name, seconds, "s", peer, peer_seconds / seconds)


def highest_memory(*, children: bool = False) -> float:
    """Return the highest memory of this process so far, or of its children [MiB]."""
    import resource  # Windows has none

    who = resource.RUSAGE_CHILDREN if children else resource.RUSAGE_SELF
    unit = 1024**2 if sys.platform == "darwin" else 1024
    return resource.getrusage(who).ru_maxrss / unit
