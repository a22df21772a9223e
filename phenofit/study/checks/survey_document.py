"""The result of a check as a document for programs; README.md names its fields."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import pandas as pd

from phenofit.errors import Problem, problem_groups
from phenofit.traps.account import CatchAccount

SCHEMA = 1
"""Version of the document; it grows when a field is renamed, removed or changes its meaning."""

Cell = str | int | float | bool | None
Row = dict[str, Cell]
_TRAP_COLUMNS = (
    "trap", "station", "distance_km", "height_difference_m", "how", "share_covered", "offset", "neighbours", "checks",
    "median_days", "longest_days",
)  # fmt: skip
_LONGEST_COLUMNS = ("species", "trap", "start", "end", "days", "row")


def survey_document(
    study: str,
    *,
    problems: Sequence[Problem],
    read: Sequence[str],
    notes: Sequence[str],
    accounts: Sequence[CatchAccount],
    traps: pd.DataFrame | None,
    longest: pd.DataFrame | None,
) -> dict[str, object]:
    """Return the document."""
    groups = problem_groups(problems)
    return {
        "schema": SCHEMA,
        "study": study,
        "ok": not problems,
        "groups": [
            {
                "file": group.problems[0].file,
                "column": group.problems[0].column,
                "count": len(group.problems),
                "text": group.line(),
                "problems": [
                    {"row": problem.row, "finding": problem.finding, "remedy": problem.remedy}
                    for problem in group.problems
                ],
            }
            for group in groups
        ],
        "read": list(read),
        "notes": list(notes),
        "species": [_account(account) for account in accounts],
        "traps": _rows(traps, _TRAP_COLUMNS),
        "longest_intervals": _rows(longest, _LONGEST_COLUMNS),
    }


def _account(account: CatchAccount) -> dict[str, object]:
    left_out = account.left_out.rename(columns={"rows": "checks"})
    return {
        "species": account.species,
        "file": account.file,
        "checks": account.checks,
        "moths": account.moths,
        "used_checks": account.used_checks,
        "used_moths": account.used_moths,
        "used_trap_years": account.used_trap_years,
        "not_counted_exactly": account.not_counted,
        "seasons": list(account.seasons),
        "joined_checks": account.joined,
        "weather_known": account.whole,
        "left_out": _rows(left_out, ("reason", "checks", "moths", "traps")),
    }


def _rows(table: pd.DataFrame | None, columns: Iterable[str]) -> list[Row]:
    """Return the rows of a table with the columns that it has; what is not known is None."""
    if table is None:
        return []
    names = [name for name in columns if name in table]
    return [{name: _cell(row[name]) for name in names} for row in table[names].to_dict("records")]


def _cell(value: object) -> Cell:
    if isinstance(value, pd.Timestamp):
        return value.isoformat()
    if isinstance(value, str | bool | int):
        return value
    if value is None or value is pd.NA:
        return None
    number = float(str(value))
    return number if math.isfinite(number) else None
