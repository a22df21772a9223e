"""Long studies in pieces: run the tasks on several processes, keep a line for each, read the lines again."""

from __future__ import annotations

import json
import multiprocessing
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
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
    with ProcessPoolExecutor(processes, multiprocessing.get_context("spawn")) as executor:
        yield from executor.map(study, tasks)


def keep_record(file: Path, record: Mapping[str, object]) -> None:
    """Append a record, so that whatever stops the study later leaves it there."""
    with file.open("a", encoding="utf-8") as lines:
        lines.write(json.dumps(record) + "\n")


def read_lines(files: Iterable[Path]) -> Iterator[dict[str, Any]]:
    """Return the records of some files."""
    for file in files:
        for line in file.read_text(encoding="utf-8").splitlines():
            yield json.loads(line)
