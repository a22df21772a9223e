"""The steps of long work on the error stream, with elapsed and expected time."""

from __future__ import annotations

import re
import sys
import time
from collections.abc import Callable

# The text of a counted step ends with "(3 of 7)"; with several species it begins with the name of one.
_COUNTED = re.compile(r"^(?:(.*?): )?.*\((\d+) of (\d+)\)$")


def show_progress(clock: Callable[[], float] = time.monotonic) -> Callable[[str], None]:
    """Return a function that prints a step with the seconds since the start, and those expected where steps are counted."""
    started = clock()
    first: dict[tuple[str, int], tuple[int, float]] = {}

    def expected(step: str, now: float) -> str:
        found = _COUNTED.match(step)
        if found is None:
            return ""
        name, number, last = found[1] or "", int(found[2]), int(found[3])
        since, then = first.setdefault((name, last), (number, now))
        if number <= since:  # the same count begins again
            first[name, last] = (number, now)
            return ""
        left = (last - number) * (now - then) / (number - since)
        return f", about {left:.0f} s left" if number < last else ""

    def show(step: str) -> None:
        now = clock()
        print(f"[{now - started:5.1f} s] {step}{expected(step, now)}", file=sys.stderr, flush=True)

    return show


def terminal_progress(*, quiet: bool) -> Callable[[str], None] | None:
    """Return :func:`show_progress` where a terminal shows it and it is not hidden."""
    return show_progress() if shows_steps() and not quiet else None


def shows_steps() -> bool:
    """Return whether the error stream is a terminal."""
    return sys.stderr.isatty()
