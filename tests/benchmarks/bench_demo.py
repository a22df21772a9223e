"""How long the demo takes from the command to its pages, with the machine code on disk."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.measured import Row, highest_memory


def rows(*, small: bool) -> list[Row]:
    """Run the demo once."""
    with tempfile.TemporaryDirectory() as folder:
        call = [sys.executable, "-m", "phenofit", "demo", "--quiet", "--out", str(Path(folder) / "demo")]
        begun = time.perf_counter()
        subprocess.run(call, check=True, capture_output=True)
        seconds = time.perf_counter() - begun
    used = os.times()
    return [
        Row("demo", seconds),
        Row("demo, time of all processors", used.children_user + used.children_system),
        Row("demo, highest memory", highest_memory(children=True), "MiB"),
    ]
