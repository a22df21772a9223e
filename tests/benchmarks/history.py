"""The history of the benchmarks: one line of JSON for each run, compared with the last on the same kind of machine."""

from __future__ import annotations

import json
import os
import platform
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from tests.benchmarks.measured import Row

FALL = 0.2
"""A ratio that fell by more than this share is named."""


def machine() -> dict[str, str]:
    """Return what kind of machine this is, without its name."""
    # Packages are asked for their versions without being imported: the highest memory of a child starts at ours.
    from importlib.metadata import version

    return {
        "processor": _processor(),
        "processors": str(
            len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
        ),
        "system": f"{platform.system()} {platform.machine()}",
        "python": ".".join(platform.python_version_tuple()[:2]),
        **{name: version(name) for name in ("numpy", "numba", "scipy")},
    }


def _processor() -> str:
    information = Path("/proc/cpuinfo")
    if information.is_file():
        for line in information.read_text("utf-8").splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    return platform.processor() or "unknown"


def entry(rows: Mapping[str, Sequence[Row]], *, scale: str, date: str, load: float) -> dict[str, Any]:
    """Return a run as one line of the history."""
    return {
        "date": date,
        "scale": scale,
        "load": round(load, 2),
        "machine": machine(),
        "rows": {
            f"{subject}: {row.name}": {
                "value": float(f"{row.value:.4g}"),
                "unit": row.unit,
                "peer": row.peer,
                "ratio": None if row.ratio is None else float(f"{row.ratio:.4g}"),
            }
            for subject, found in rows.items()
            for row in found
        },
    }


def read_history(path: Path) -> list[dict[str, Any]]:
    """Return the runs so far, the oldest first."""
    if not path.exists():
        return []
    return [json.loads(line) for line in path.read_text("utf-8").splitlines() if line.strip()]


def append(path: Path, run: Mapping[str, Any]) -> None:
    """Add a run to the history."""
    with path.open("a", encoding="utf-8") as stream:
        stream.write(json.dumps(run, sort_keys=True) + "\n")


def last_like(runs: Sequence[Mapping[str, Any]], run: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """Return the last run of the same scale on the same kind of machine."""
    kind = (run["scale"], run["machine"])
    return next((one for one in reversed(runs) if (one["scale"], one["machine"]) == kind), None)


def falls(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """Name the ratios that fell by more than :data:`FALL`."""
    found = []
    for name, row in now["rows"].items():
        old = before["rows"].get(name, {}).get("ratio")
        if old is not None and row["ratio"] is not None and row["ratio"] < (1.0 - FALL) * old:
            found.append(
                f"{name}: ratio {row['ratio']:.3g}, was {old:.3g} on {before['date']} ({row['peer']})"
            )
    return found
