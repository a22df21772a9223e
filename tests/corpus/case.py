"""One odd or bad input: what is changed in a sound study, and what a check must say of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from tests.study.studies import CATCHES, STATIONS, STUDY, TRAPS, WEATHER

SOUND: Mapping[str, str] = {
    "study.toml": STUDY,
    "traps.csv": TRAPS,
    "catches.csv": CATCHES,
    "stations.csv": STATIONS,
    "weather.csv": WEATHER,
}

Content = str | bytes | None
"""Of a file; None where it is absent."""
Files = dict[str, Content]
Edit = Callable[[Files], None]


@dataclass(frozen=True)
class Case:
    """A case: its name, the changes, and either what is refused (`where` and `words`) or what is accepted.

    ``where`` is ``file:row:column`` of the first problem, with blanks where there is none. Without `where` the study is
    accepted, with so many ``moths`` used in so many ``checks``, and `words` stand in a note or a line of the account.
    """

    name: str
    edits: tuple[Edit, ...]
    where: str = ""
    words: str = ""
    moths: int = 42
    checks: int = 9
    problems: int = 1

    def write(self, folder: Path) -> Path:
        """Write the files of the case; return its study file."""
        files: Files = dict(SOUND)
        for edit in self.edits:
            edit(files)
        for name, content in files.items():
            if content is not None:
                raw = content if isinstance(content, bytes) else content.encode("utf-8")
                (folder / name).write_bytes(raw)
        return folder / "study.toml"


def bad(name: str, *edits: Edit, at: str, says: str, problems: int = 1) -> Case:
    """Return a case that is refused."""
    return Case(name, edits, at, says, problems=problems)


def odd(name: str, *edits: Edit, says: str = "", moths: int = 42, checks: int = 9) -> Case:
    """Return a case that is accepted."""
    return Case(name, edits, "", says, moths, checks)


def _replacing(file: str) -> Callable[..., Edit]:
    def edit(old: str, new: str, count: int = 1) -> Edit:
        def change(files: Files) -> None:
            text = files[file]
            assert isinstance(text, str)
            assert old in text, f"{old!r} is not in {file}"
            files[file] = text.replace(old, new, count)

        return change

    return edit


study, traps, catches, stations, weather = (
    _replacing(f"{name}")
    for name in ("study.toml", "traps.csv", "catches.csv", "stations.csv", "weather.csv")
)


def key(table: str, line: str) -> Edit:
    """Add a line to a table of the study file."""
    return study(f"[{table}]\n", f"[{table}]\n{line}\n")


def add(file: str, lines: str) -> Edit:
    """Add lines to the end of a file."""

    def change(files: Files) -> None:
        text = files[file]
        assert isinstance(text, str)
        files[file] = f"{text}{lines}\n"

    return change


def whole(file: str, make: Callable[[str], Content]) -> Edit:
    """Make a file anew from its text."""

    def change(files: Files) -> None:
        text = files.get(file, "")
        assert isinstance(text, str)
        files[file] = make(text)

    return change


def rows(file: str, make: Callable[[list[str]], list[str]], between: str = ",") -> Edit:
    """Make each row below the header anew from its cells."""

    def change(files: Files) -> None:
        text = files[file]
        assert isinstance(text, str)
        head, *body = text.splitlines()
        made = [between.join(make(line.split(","))) for line in body]
        files[file] = "\n".join([head.replace(",", between), *made]) + "\n"

    return change


def column(name: str, cells: str, file: str = "catches.csv") -> Edit:
    """Add a column with these cells, parted by blanks; ``.`` is an empty cell, the last cell holds for all further rows."""

    def change(files: Files) -> None:
        text = files[file]
        assert isinstance(text, str)
        head, *body = text.splitlines()
        given = ["" if cell == "." else cell.replace("_", " ") for cell in cells.split(" ")]
        made = [f"{line},{given[min(i, len(given) - 1)]}" for i, line in enumerate(body)]
        files[file] = "\n".join([f"{head},{name}", *made]) + "\n"

    return change
