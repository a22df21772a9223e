"""Time until the command answers, and until the first heat sum of a process."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile

from tests.benchmarks.measured import Row, against, best

CALL = "import phenofit; phenofit.degree_days([4.0], [21.0], base=10.0)"


def _python(*arguments: str, times: int = 3, **environment: str) -> float:
    call = [sys.executable, *arguments]
    return best(
        lambda: subprocess.run(call, check=True, capture_output=True, env={**os.environ, **environment}),
        times,
    )


def rows(*, small: bool) -> list[Row]:
    """Measure the help and the first heat sum; at full size also where nothing has been compiled yet."""
    _python("-c", CALL, times=1)  # compiles what has to be compiled
    found = [
        against("the help", _python("-m", "phenofit", "--help"), "python alone", _python("-c", "pass")),
        against("first heat sum", _python("-c", CALL), "importing numba", _python("-c", "import numba")),
    ]
    if not small:
        with tempfile.TemporaryDirectory() as folder:
            found.append(
                Row("first heat sum, nothing compiled", _python("-c", CALL, times=1, NUMBA_CACHE_DIR=folder))
            )
    return found
