"""What both field tables need: filling down merged cells, covariates, row lists."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from phenofit.errors import ModelError, Problem
from phenofit.files.cells import parse_numbers
from phenofit.files.text_table import Table

_HUGE = 1e300
"""A range of any number, in which both readings of a separator are possible."""

_FILLABLE = ("trap", "site")


def fill_down(table: Table, columns: Sequence[str], *, trap_parts: Sequence[str] = ()) -> Table:
    """Return the table with the blanks below a merged trap or site cell filled, counted in the notes.

    `trap_parts` are the further columns that name a trap, filled with it.
    """
    wrong = [c for c in columns if c not in _FILLABLE]
    if wrong:
        raise ModelError(f"column '{wrong[0]}' cannot be filled down; only {' and '.join(_FILLABLE)} can.")
    frame, notes = table.frame.copy(), list(table.notes)
    for column in (*columns, *(trap_parts if "trap" in columns else ())):
        if column not in frame:
            continue
        blank = frame[column] == ""
        filled = frame[column].mask(blank).ffill()
        done = blank & filled.notna()
        if done.any():
            frame[column] = filled.fillna("").astype("str")
            notes.append(
                f"{int(done.sum())} blank '{table.names.get(column, column)}' cells filled from the row above "
                f"(rows {row_text(table.rows[done.to_numpy()])})."
            )
    return replace(table, frame=frame, notes=tuple(notes))


def covariate_columns(table: Table, known: Collection[str]) -> tuple[dict[str, pd.Series], list[Problem]]:
    """Return the further columns of a table: as numbers where every filled cell is one, else as text."""
    result: dict[str, pd.Series] = {}
    problems: list[Problem] = []
    for column in table.frame:
        if column in known:
            continue
        cells = table.frame[column]
        values, faults = parse_numbers(table, str(column))
        if faults or np.isnan(values).all():
            result[str(column)] = cells
            continue
        if table.delimiter != ",":
            values, more = parse_numbers(table, str(column), low=-_HUGE, high=_HUGE)
            problems += more
        result[str(column)] = pd.Series(values, index=cells.index)
    return result, problems


def row_text(rows: Iterable[int], *, shown: int = 12) -> str:
    """Return file rows as short text."""
    runs: list[list[int]] = []
    for row in sorted({int(row) for row in rows}):
        if runs and runs[-1][1] == row - 1:
            runs[-1][1] = row
        else:
            runs.append([row, row])
    texts = [f"{first}" if first == last else f"{first}-{last}" for first, last in runs]
    more = f" and {len(texts) - shown} more" if len(texts) > shown else ""
    return ", ".join(texts[:shown]) + more
