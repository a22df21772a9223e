"""The errors and warnings of phenofit, all below one base.

::

    PhenofitError
    ├── DataError          (ValueError)    a table, weather file or study file is wrong; carries the problems
    ├── UnitError          (ValueError)    a unit is absent, unknown or does not fit
    ├── ModelError         (ValueError)    a call asks for something the science does not define
    ├── FitError           (RuntimeError)  a fit could not be carried out
    ├── FetchError         (RuntimeError)  the station service gave no series; says why
    └── MissingExtraError  (ImportError)   an optional extra is not installed

    PhenofitWarning        (UserWarning)   always raised with ``stacklevel``
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

__all__ = [
    "DataError",
    "FetchError",
    "FitError",
    "MissingExtraError",
    "ModelError",
    "PhenofitError",
    "PhenofitWarning",
    "Problem",
    "ProblemGroup",
    "UnitError",
    "problem_groups",
    "problem_lines",
]

_QUOTED = re.compile(r"'[^']*'")
_NUMBERS = re.compile(r"[-+]?\d[\w.:/-]*(?:,? [-+]?\d[\w.:/-]*)*")
_HINT = re.compile(r" Did you mean [^?]*\?")
_SHOWN = 12  # rows or names that one line lists


class PhenofitError(Exception):
    """Base of every error that phenofit raises on purpose."""


class PhenofitWarning(UserWarning):
    """Base of every warning that phenofit gives."""


@dataclass(frozen=True)
class Problem:
    """One fault in an input, stated so that the user can mend it.

    Parameters
    ----------
    finding : str
        What was found, with the offending text.
    remedy : str
        What is accepted, and how to mend it.
    file : str
        Name of the file as the user wrote it; empty where there is none.
    row : int or None
        Line of the file, counted from 1 with the header as line 1; ``None`` for the file as a whole.
    column : str
        Column name as it stands in the file, or the key of a study file.
    sheet : str
        Sheet of a workbook; empty where there is none.
    """

    finding: str
    remedy: str
    file: str = ""
    row: int | None = None
    column: str = ""
    sheet: str = ""

    def __str__(self) -> str:
        """Return the problem as one line: where, what was found, and the remedy."""
        place = self.file
        if self.sheet:
            place += f", sheet '{self.sheet}'" if place else f"sheet '{self.sheet}'"
        if self.row is not None:
            place += f", row {self.row}" if place else f"row {self.row}"
        if self.column:
            place += f", column '{self.column}'" if place else f"'{self.column}'"
        head = f"{place}: " if place else ""
        tail = f" {self.remedy}" if self.remedy else ""
        return f"{head}{self.finding}{tail}"


class DataError(PhenofitError, ValueError):
    """An input table, weather file or study file is wrong.

    Parameters
    ----------
    problems : Problem or iterable of Problem or str
        The faults found; all of them, not only the first.

    Attributes
    ----------
    problems : tuple of Problem
        The faults, in the order of the file.
    """

    def __init__(self, problems: Problem | str | Iterable[Problem]) -> None:
        if isinstance(problems, str):
            problems = Problem(problems, "")
        if isinstance(problems, Problem):
            problems = [problems]
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__(_as_text(self.problems))

    def __reduce__(self) -> tuple[type[DataError], tuple[tuple[Problem, ...]]]:
        """Support pickling: an error from another process keeps its problems, not only their text."""
        return type(self), (self.problems,)


class UnitError(PhenofitError, ValueError):
    """A unit is absent, unknown or of the wrong kind."""


class ModelError(PhenofitError, ValueError):
    """A call asks for something that the science does not define."""


class FitError(PhenofitError, RuntimeError):
    """A fit could not be carried out; the message says why and what to try."""


class FetchError(PhenofitError, RuntimeError):
    """The station service gave no series; the message states the reason."""


class MissingExtraError(PhenofitError, ImportError):
    """An optional extra is not installed.

    Parameters
    ----------
    package : str
        The import that failed.
    extra : str
        The extra of phenofit that brings it.
    purpose : str
        What needs it.
    """

    def __init__(self, package: str, extra: str, purpose: str) -> None:
        self.package = package
        self.extra = extra
        self.purpose = purpose
        super().__init__(
            f"{purpose} needs the package '{package}', which is not installed: "
            f'pip install "phenofit-toolkit[{extra}]"'
        )

    def __reduce__(self) -> tuple[type[MissingExtraError], tuple[str, str, str]]:
        """Support pickling: an error from another process keeps all its values."""
        return type(self), (self.package, self.extra, self.purpose)


@dataclass(frozen=True)
class ProblemGroup:
    """Problems of one kind in one column of one file: the same finding apart from its values."""

    problems: tuple[Problem, ...]

    @property
    def rows(self) -> list[int]:
        """Return the lines of the file, as far as they are known."""
        return [problem.row for problem in self.problems if problem.row is not None]

    def line(self) -> str:
        """Return the first problem, and where the others are."""
        first, *others = self.problems
        if not others:
            return str(first)
        rows = [str(problem.row) for problem in others if problem.row is not None]
        if len(rows) == len(others):
            return f"{first} The same in {plural(len(rows), 'other row')}: {_listed(rows)}."
        # Without a row, the text in quotation marks is all that names the place.
        names = [found[0] for problem in others if (found := _QUOTED.findall(problem.finding))]
        if len(names) == len(others):
            return f"{first} The same for {_listed(names)}."
        return f"{first} The same in {plural(len(others), 'other place')}."


def problem_groups(problems: Sequence[Problem]) -> tuple[ProblemGroup, ...]:
    """Return problems by their kind; files, and kinds in a file, in order of first appearance."""
    groups: dict[tuple[str, ...], list[Problem]] = {}
    for problem in problems:
        kind = _masked(problem.finding), _masked(_HINT.sub("", problem.remedy))
        groups.setdefault((problem.file, problem.sheet, problem.column, *kind), []).append(problem)
    files = list(dict.fromkeys(key[0] for key in groups))
    order = sorted(groups, key=lambda key: files.index(key[0]))
    return tuple(ProblemGroup(tuple(groups[key])) for key in order)


def problem_lines(problems: Sequence[Problem]) -> list[str]:
    """Return problems as lines, those of one kind in one column of a file together."""
    return [group.line() for group in problem_groups(problems)]


def _masked(text: str) -> str:
    """Return a text without its values: quoted texts, numbers and lists of numbers."""
    return _NUMBERS.sub("0", _QUOTED.sub("''", text))


def _listed(texts: Sequence[str]) -> str:
    more = f" and {len(texts) - _SHOWN} more" if len(texts) > _SHOWN else ""
    return ", ".join(texts[:_SHOWN]) + more


def plural(count: int, what: str) -> str:
    """Return a number with its noun."""
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _as_text(problems: Sequence[Problem]) -> str:
    if len(problems) == 1:
        return str(problems[0])
    return "\n".join([f"{len(problems)} problems:", *(f"  {line}" for line in problem_lines(problems))])
