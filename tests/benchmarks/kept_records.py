"""Long studies in pieces: run the tasks on several processes, keep a line for each, read the lines again."""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from multiprocessing.queues import SimpleQueue
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

Task = TypeVar("Task")
Record = TypeVar("Record")


def run_tasks(
    study: Callable[[Task], Record], tasks: Iterable[Task], *, processes: int = 1
) -> Iterator[Record]:
    """Study every task; the records come in the order of the tasks, and do not depend on the processes."""
    if processes == 1:
        yield from map(study, tasks)
        return
    context = multiprocessing.get_context("spawn")
    # Threads of several processes would wait for each other: each process keeps to a processor of its own.
    usable = sorted(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else [None]
    own = context.SimpleQueue()
    for number in range(processes):
        own.put(usable[number % len(usable)])
    with ProcessPoolExecutor(processes, context, _keep_to, (own,)) as executor:
        yield from executor.map(study, tasks)


def _keep_to(own: SimpleQueue[int | None]) -> None:
    processor = own.get()
    if processor is not None:
        os.sched_setaffinity(0, {processor})


def kept_study(
    about: str | None,
    study: Callable[[Task], Record],
    tasks: Callable[[argparse.Namespace], Iterable[Task]],
    *,
    read: Callable[..., Record],
    task_of: Callable[[Record], Task],
    said: Callable[[Record], str],
    switches: Mapping[str, str] = MappingProxyType({}),
) -> tuple[list[Record], bool]:
    """Study the tasks of the command line that no kept record holds; return all records, and whether a table was asked for.

    `tasks` gives the tasks of the options given, such as ``networks``; `read` makes a record of a kept line, `said` what
    is printed of one; `switches` are further options without a value, with their help.
    """
    parser = argparse.ArgumentParser(description=about)
    parser.add_argument("--networks", type=int, default=20)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="file of the records, a line each, to go on from")
    parser.add_argument("--table", action="store_true", help="only the table of the kept records")
    for name, about_switch in switches.items():
        parser.add_argument(f"--{name}", action="store_true", help=about_switch)
    given = parser.parse_args()
    kept = [read(**line) for line in read_lines([given.keep])] if given.keep and given.keep.exists() else []
    done = {task_of(record) for record in kept}
    new = () if given.table else [task for task in tasks(given) if task not in done]
    for record in run_tasks(study, new, processes=given.processes):
        kept.append(record)
        if given.keep:
            keep_record(given.keep, asdict(record))  # type: ignore[call-overload]  # every record is a dataclass
        print(said(record), file=sys.stderr, flush=True)  # noqa: T201 - how far the study is
    return kept, given.table


def keep_record(file: Path, record: Mapping[str, object]) -> None:
    """Append a record, so that whatever stops the study later leaves it there."""
    with file.open("a", encoding="utf-8") as lines:
        lines.write(json.dumps(record) + "\n")


def read_lines(files: Iterable[Path]) -> Iterator[dict[str, Any]]:
    """Return the records of some files."""
    for file in files:
        for line in file.read_text(encoding="utf-8").splitlines():
            yield json.loads(line)
