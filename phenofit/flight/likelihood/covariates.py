"""Site columns as effects on the log requirement: numbers centred and scaled, text coded against a reference level."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import ModelError

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Covariate:
    """One column and how it enters the model."""

    column: str  # Name in the trap table.
    # Levels of a text column, the reference level first; empty for a column of numbers.
    levels: tuple[str, ...] = ()
    centre: float = 0.0  # Mean and SD over the trap-years of a column of numbers.
    scale: float = 1.0

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the effects: the column, or ``column=level`` for every level but the reference."""
        return tuple(f"{self.column}={level}" for level in self.levels[1:]) or (self.column,)

    def code(self, values: Sequence[Any]) -> Floats:
        """Return the entries of the model, shape (values, effects)."""
        if not self.levels:
            number = _numbers(self.column, pd.Series(list(values), dtype=object))
            return np.asarray((number - self.centre) / self.scale)[:, np.newaxis]
        out = np.zeros((len(values), len(self.levels) - 1))
        for row, value in enumerate(values):
            level = _level(value)
            if level not in self.levels:
                raise ModelError(
                    f"the fit knows no level '{level}' of '{self.column}', only {', '.join(self.levels)}."
                    if level
                    else f"the covariate '{self.column}' is missing for some traps; fill the column."
                )
            at = self.levels.index(level)
            if at:
                out[row, at - 1] = 1.0
        return out


@dataclass(frozen=True)
class CovariateDesign:
    """How the columns of a fit enter the model."""

    covariates: tuple[Covariate, ...]  # One for each column, in the order asked.
    values: Floats  # Shape (trap-years, effects): Entries of the trap-years.

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the effects, without the word ``effect``."""
        return tuple(name for covariate in self.covariates for name in covariate.names)

    def code(self, place: Mapping[Any, Any]) -> Floats:
        """Return the entries of a place from its columns, shape (effects,)."""
        parts = []
        for covariate in self.covariates:
            if covariate.column not in place:
                raise ModelError(
                    f"the fit needs the covariate '{covariate.column}' of a place; the place has "
                    f"{', '.join(str(c) for c in place)}."
                )
            parts.append(covariate.code([place[covariate.column]])[0])
        return np.concatenate(parts) if parts else np.zeros(0)

    def factor(self, parameters: Mapping[str, float], place: Mapping[Any, Any]) -> float:
        """Return the factor by which the requirement of a place differs from ``requirement_1`` (a ratio)."""
        effects = [parameters[f"effect {name}"] for name in self.names]
        return math.exp(float(self.code(place) @ np.array(effects))) if effects else 1.0

    def factors(self, parameters: Mapping[str, float]) -> Floats:
        """Return the factors by which the requirements of each trap-year differ from ``requirement_1`` (ratios)."""
        effects = np.array([parameters[f"effect {name}"] for name in self.names])
        return np.asarray(np.exp(self.values @ effects))

    @property
    def reference(self) -> dict[str, object]:
        """The place that the requirements of the fit hold for: mean of the numbers, reference level of the texts."""
        return {c.column: c.levels[0] if c.levels else c.centre for c in self.covariates}

    def words(self) -> str:
        """Say what place the requirements of the fit hold for."""
        parts = [
            f"{c.column} = {c.levels[0]}" if c.levels else f"{c.column} = {c.centre:.6g} (mean)"
            for c in self.covariates
        ]
        return f"requirements are those at {', '.join(parts)}" if parts else ""


def covariate_design(
    table: pd.DataFrame, columns: Sequence[str], *, fitted: Mapping[str, float] | None = None
) -> CovariateDesign:
    """Return how columns enter the model."""
    found = [_covariate(table, name, fitted) for name in columns]
    values = [c.code(table[c.column].tolist()) for c in found]
    return CovariateDesign(tuple(found), np.column_stack(values) if values else np.zeros((len(table), 0)))


def _covariate(table: pd.DataFrame, name: str, fitted: Mapping[str, float] | None) -> Covariate:
    if name not in table.columns:
        raise ModelError(
            f"the trap table has no column '{name}' to be a covariate; it has "
            f"{', '.join(str(c) for c in table.columns)}."
        )
    column = table[name]
    gone = np.array([_level(v) == "" for v in column])
    if gone.any():
        traps = pd.unique(table.loc[gone, "trap"]) if "trap" in table else []
        which = f"trap {', '.join(str(t) for t in traps[:8])}" if len(traps) else "some traps"
        raise ModelError(
            f"the covariate '{name}' is missing for {which}; fill the column of the trap table, or leave out the traps."
        )
    if _is_text(name, column):
        levels = _levels(name, column, table["total"])
        first = [v for v in levels if fitted is not None and f"effect {name}={v}" not in fitted]
        return Covariate(name, (*first, *(v for v in levels if v not in first)))
    value = _numbers(name, column)
    if np.ptp(value) == 0:
        raise ModelError(f"the covariate '{name}' is the same for all traps: its effect cannot be seen.")
    return Covariate(name, (), float(value.mean()), float(value.std()))


def _is_text(name: str, column: pd.Series) -> bool:
    if isinstance(column.dtype, pd.CategoricalDtype):
        return True
    filled = column[[_level(v) != "" for v in column]]
    number = pd.to_numeric(filled, errors="coerce").notna()
    if number.all():
        return False
    if number.any():
        raise ModelError(
            f"the covariate '{name}' holds numbers for some traps and text for others "
            f"('{filled[number].iloc[0]}', '{filled[~number].iloc[0]}'); write all of them as numbers, or all with "
            "a letter before."
        )
    return True


def _numbers(name: str, column: pd.Series) -> Floats:
    value = pd.to_numeric(column, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    if not np.isfinite(value).all():
        raise ModelError(f"the covariate '{name}' is missing or not a number for some traps.")
    return np.asarray(value)


def _levels(name: str, column: pd.Series, total: pd.Series) -> tuple[str, ...]:
    level = pd.Series([_level(v) for v in column])
    number = level.value_counts()
    if len(number) < 2:
        raise ModelError(
            f"the covariate '{name}' is '{number.index[0]}' for every trap-year with moths: its effect cannot be seen."
        )
    moths = pd.Series(total.to_numpy()).groupby(level.to_numpy()).sum()
    few = [str(key) for key, count in moths.items() if count < 2]
    if few:
        raise ModelError(
            f"the level '{few[0]}' of '{name}' has a single moth, too few for an effect; "
            "join it to another level, or leave its traps out."
        )
    found = sorted((str(k) for k in number.index), key=lambda key: (-int(number[key]), key))
    if isinstance(column.dtype, pd.CategoricalDtype):
        first = next(str(c) for c in column.cat.categories if str(c) in found)
        found = [first, *(level for level in found if level != first)]
    return tuple(found)


def _level(value: object) -> str:
    """Return a cell as the name of a level; empty where it is missing."""
    if value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value)):
        return ""
    return str(value).strip()
