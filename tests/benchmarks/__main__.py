"""All benchmarks in one run: ``python -m tests.benchmarks [--small] [--only SUBJECT ...]``.

Each subject runs in a process of its own, so that its highest memory is its own. A table is printed; ``benchmarks.json``,
``benchmarks.png`` and, of a whole run, a line of ``benchmarks.jsonl`` are written to ``reports``. A ratio is the time of the
peer over ours in the same run: more is better. One that fell by more than a fifth against the last run on the same kind of
machine is named. Nothing fails: measure on an idle machine, before and after a change.
"""
# ruff: noqa: T201 - a table is what this script is for

from __future__ import annotations

import argparse
import datetime
import importlib
import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from tests.benchmarks.history import append, entry, falls, last_like, read_history
from tests.benchmarks.measured import Row, highest_memory

SUBJECTS = (
    "start_up", "heat", "grid", "flight", "several_flights", "validation", "forecast", "maps", "weather", "check", "cluster", "demo",
)  # fmt: skip
REPORTS = Path(__file__).resolve().parents[2] / "reports"


def measure(subject: str, *, small: bool) -> list[Row]:
    """Return the rows of a subject, measured in a process of its own."""
    call = [sys.executable, "-m", "tests.benchmarks", "--here", subject, *(["--small"] if small else [])]
    done = subprocess.run(call, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise SystemExit(f"the benchmark '{subject}' failed:\n{done.stderr}")
    return [Row(*values) for values in json.loads(done.stdout.splitlines()[-1])]


def measure_here(subject: str, *, small: bool) -> None:
    """Measure a subject in this process, and print its rows as JSON."""
    rows: list[Row] = importlib.import_module(f"tests.benchmarks.bench_{subject}").rows(small=small)
    print(json.dumps([*rows, Row("highest memory", highest_memory(), "MiB")]))


def draw(run: dict[str, Any], path: Path) -> None:
    """Draw the ratios of a run to its peers."""
    from matplotlib.figure import Figure
    from matplotlib.ticker import FuncFormatter, LogLocator, NullLocator

    found = [(name, row["ratio"], row["peer"]) for name, row in run["rows"].items() if row["ratio"]][::-1]
    if not found:
        return
    figure = Figure(figsize=(9.0, 0.9 + 0.36 * len(found)), layout="constrained")
    axes = figure.subplots()
    names, ratios, peers = zip(*found, strict=True)
    places = range(len(ratios))
    axes.hlines(places, 1.0, ratios, color="#0072B2")
    axes.plot(ratios, places, "o", color="#0072B2")
    axes.set_yticks(places, [f"{name}\nbeside {peer}" for name, peer in zip(names, peers, strict=True)])
    for place, ratio in enumerate(ratios):
        right = ratio >= 1.0
        axes.annotate(
            f"  {ratio:.2g}  ", (ratio, place), va="center", ha="left" if right else "right", fontsize=7
        )
    axes.axvline(1.0, color="0.4", linewidth=0.8)
    axes.set_xscale("log")
    axes.xaxis.set_major_locator(LogLocator(subs=(1.0, 3.0)))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.margins(x=0.1, y=0.12)
    axes.tick_params(axis="y", labelsize=6.5)
    axes.set_xlabel("time of the peer divided by ours (more is better)")
    figure.savefig(path, dpi=120, metadata={"Software": None})


def main(arguments: list[str] | None = None) -> None:
    """Measure, print, write, and say what became slower."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument("--small", action="store_true", help="less data, for a quick look or a little disk")
    parser.add_argument(
        "--only", nargs="+", choices=SUBJECTS, metavar="SUBJECT", help="some subjects; kept nowhere"
    )
    parser.add_argument("--out", type=Path, default=REPORTS, help="folder of the history (default: reports)")
    parser.add_argument("--here", choices=SUBJECTS, help=argparse.SUPPRESS)
    given = parser.parse_args(arguments)
    if given.here:
        measure_here(given.here, small=given.small)
        return
    load, begun, rows = os.getloadavg()[0], time.perf_counter(), {}
    for subject in given.only or SUBJECTS:
        rows[subject] = measure(subject, small=given.small)
        for row in rows[subject]:
            ratio = "" if row.ratio is None else f"{row.ratio:9.3g} x {row.peer}"
            print(f"{subject + ': ' + row.name:<72}{row.value:>10.4g} {row.unit:<6}{ratio}", flush=True)
    print(f"{time.perf_counter() - begun:.0f} s in all; load of the machine at the start {load:.1f}")
    today = datetime.datetime.now(tz=datetime.UTC).date().isoformat()
    run = entry(rows, scale="small" if given.small else "full", date=today, load=load)
    history = given.out / "benchmarks.jsonl"
    before = last_like(read_history(history), run)
    for line in [] if before is None else falls(before, run):
        print(f"slower: {line}")
    if given.only:
        return
    append(history, run)
    (given.out / "benchmarks.json").write_text(json.dumps(run, indent=1) + "\n", encoding="utf-8")
    draw(run, given.out / "benchmarks.png")
    print(f"written: {history}, benchmarks.json, benchmarks.png")


if __name__ == "__main__":
    main()
