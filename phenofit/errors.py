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
    "UnitError",
    "problem_lines",
]

_QUOTED = re.compile(r"'[^']*'")
_FEWEST_GROUPED = 4
_ROWS_SHOWN = 12


class PhenofitError(Exception):
    """Base of every error that phenofit raises on purpose."""


class PhenofitWarning(UserWarning):
    """Base of every warning that phenofit gives."""


@dataclass(frozen=True)
class Problem:
    """One fault in an input, told so that its owner can mend it.

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
        """Return the problem as one line: where, what, and the mend."""
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
        """Let the error come back from another process with its problems, not only their text."""
        return type(self), (self.problems,)


class UnitError(PhenofitError, ValueError):
    """A unit is absent, unknown or of the wrong kind."""


class ModelError(PhenofitError, ValueError):
    """A call asks for something that the science does not define."""


class FitError(PhenofitError, RuntimeError):
    """A fit could not be carried out; the message says why and what to try."""


class FetchError(PhenofitError, RuntimeError):
    """The station service gave no series; the message tells which of the possible reasons it was."""


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
        """Let the error come back whole from another process."""
        return type(self), (self.package, self.extra, self.purpose)


def problem_lines(problems: Sequence[Problem]) -> list[str]:
    """Return problems as lines, those of one kind in one column of a file together."""
    groups: dict[tuple[str, ...], list[Problem]] = {}
    for problem in problems:
        kind = _QUOTED.sub("''", problem.finding), _QUOTED.sub("''", problem.remedy)
        groups.setdefault((problem.file, problem.sheet, problem.column, *kind), []).append(problem)
    lines = []
    for group in groups.values():
        rows = [p.row for p in group[1:] if p.row is not None]
        if (
            len(rows) < len(group) - 1
        ):  # without a row, the text in quotation marks is all that names the place
            lines += [str(problem) for problem in group[:_ROWS_SHOWN]]
            if len(group) > _ROWS_SHOWN:
                lines.append(f"and {len(group) - _ROWS_SHOWN} more problems like the last one.")
            continue
        if len(group) < _FEWEST_GROUPED:
            lines += [str(problem) for problem in group]
            continue
        shown = ", ".join(str(row) for row in rows[:_ROWS_SHOWN])
        more = f" and {len(rows) - _ROWS_SHOWN} more" if len(rows) > _ROWS_SHOWN else ""
        lines.append(f"{group[0]} The same in {len(rows)} other rows: {shown}{more}.")
    return lines


def _as_text(problems: Sequence[Problem]) -> str:
    if len(problems) == 1:
        return str(problems[0])
    return "\n".join([f"{len(problems)} problems:", *(f"  {line}" for line in problem_lines(problems))])
