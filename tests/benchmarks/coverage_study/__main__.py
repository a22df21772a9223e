"""Run the study of coverage and held-out error, or make its tables again.

``python -m tests.benchmarks.coverage_study --networks 200 --held-out 50 --processes 2 --keep FILE`` studies every
scenario; what FILE holds already is not studied again. ``--table FILE ...`` makes the tables of one or more such files
and runs nothing. Both print the tables and write ``coverage.md`` and ``coverage.json`` into ``reports``.
"""
# ruff: noqa: T201 - tables are what this is for

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from pathlib import Path

from tests.benchmarks.coverage_study.scenarios import KNOWN, SCENARIOS
from tests.benchmarks.coverage_study.study import HELD_OUT, INTERVALS, Record, Task, study
from tests.benchmarks.coverage_study.tables import REPORTS, markdown, write_reports
from tests.benchmarks.kept_records import keep_record, read_lines, run_tasks


def main(argv: list[str] | None = None) -> None:
    """Study what is asked for and not yet kept, then print and write the tables."""
    given = _parsed(argv)
    kept = _read(given.table or ([given.keep] if given.keep is not None and given.keep.exists() else []))
    if not given.table:
        tasks = [task for task in _tasks(given) if task not in kept]
        for done, record in enumerate(run_tasks(study, tasks, processes=given.processes), start=1):
            kept[record.task] = record
            if given.keep is not None:
                keep_record(given.keep, record.line())
            words = f"{record.scenario}, network {record.number}, {record.part}: {record.seconds:.1f} s"
            print(f"{done} of {len(tasks)}: {words} {record.failed}", file=sys.stderr, flush=True)
    if not kept:
        sys.exit("there are no records: every scenario was skipped, or the files are empty")
    records = list(kept.values())
    print(markdown(records))
    write_reports(records, given.out)


def _parsed(argv: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.coverage_study", description=__doc__)
    parser.add_argument("--networks", type=int, help="networks of each scenario, for coverage")
    parser.add_argument(
        "--held-out", type=int, help="the first of them, also for held-out error; all by default"
    )
    parser.add_argument("--scenarios", default=",".join(SCENARIOS), help=f"of {', '.join(KNOWN)}")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="file of the records, a line each, to go on from")
    parser.add_argument(
        "--table", type=Path, nargs="+", help="files of records to make tables of; runs nothing"
    )
    parser.add_argument("--out", type=Path, default=REPORTS, help="folder for coverage.md and coverage.json")
    given = parser.parse_args(argv)
    if (given.networks is None) == (given.table is None):
        parser.error("give either --networks or --table")
    given.scenarios = given.scenarios.split(",")
    if unknown := [name for name in given.scenarios if name not in KNOWN]:
        parser.error(f"there is no scenario {', '.join(unknown)}; there are {', '.join(KNOWN)}")
    return given


def _tasks(given: argparse.Namespace) -> list[Task]:
    """Return what is asked for, number by number, so that a part of the study has every scenario."""
    for name in given.scenarios:
        if KNOWN[name].lacking:
            print(f"{name} is skipped: FlightModel has no setting '{KNOWN[name].lacking}'.", file=sys.stderr)
    validated = given.networks if given.held_out is None else given.held_out
    counts = {INTERVALS: given.networks, HELD_OUT: validated}
    return [
        Task(name, number, part)
        for number in range(max(counts.values()))
        for name in given.scenarios
        for part, count in counts.items()
        if number < count and not KNOWN[name].lacking
    ]


def _read(files: Iterable[Path]) -> dict[Task, Record]:
    records = (Record.from_line(line) for line in read_lines(files))
    return {record.task: record for record in records}


if __name__ == "__main__":
    main()
