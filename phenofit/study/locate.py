"""The line of each key of a TOML file, so that a problem can name its line."""

from __future__ import annotations

import re
from collections.abc import Sequence

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(
    r"""^\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*="""
)
_PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""")
_FENCES = ('"' * 3, "'" * 3)

Path = tuple[str | int, ...]


def key_lines(text: str) -> dict[Path, int]:
    """Return the line of every table and key."""
    found: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    table: Path = ()
    fence = ""
    for number, line in enumerate(text.splitlines(), start=1):
        if fence:
            fence = "" if fence in line else fence
            continue
        header = _HEADER.match(line)
        if header:
            table = _table(_keys_of(header.group(2)), header.group(1) == "[[", counts)
            for depth in range(1, len(table) + 1):
                found.setdefault(table[:depth], number)
            continue
        key = _KEY.match(line)
        if key:
            found.setdefault((*table, *_keys_of(key.group(1))), number)
        opened = [mark for mark in _FENCES if line.count(mark) % 2]
        fence = opened[0] if opened else ""
    return found


def _keys_of(dotted: str) -> list[str]:
    return [part.strip("\"'") for part in _PART.findall(dotted)]


def _table(parts: list[str], listed: bool, counts: dict[Path, int]) -> Path:
    """Return the path of a table, list positions filled in from the tables seen so far."""
    path: Path = ()
    for i, part in enumerate(parts):
        path = (*path, part)
        if listed and i == len(parts) - 1:
            counts[path] = counts.get(path, 0) + 1
        if path in counts:
            path = (*path, counts[path] - 1)
    return path


def line_of(lines: dict[Path, int], path: Sequence[str | int]) -> int | None:
    """Return the line of a key, or of the nearest table around it that has one."""
    for depth in range(len(path), 0, -1):
        line = lines.get(tuple(path[:depth]))
        if line is not None:
            return line
    return None
