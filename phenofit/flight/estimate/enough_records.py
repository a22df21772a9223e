"""How many records a fit needs, and how many a verdict on a published threshold needs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from phenofit.errors import Problem

if TYPE_CHECKING:
    from phenofit.flight.likelihood.flight_data import FlightData
    from phenofit.traps import TrapYears

LEAST_CHECKS = 3
"""Checks with moths that a fit needs for each flight: one more than the flight has parameters (requirement, spread)."""

LEAST_TRAP_YEARS = 3
"""Trap-years with moths that a verdict on a published threshold needs."""

LEAST_SEASONS = 2
"""Seasons with moths that a verdict needs: one season says nothing about another."""


def recorded(trap_years: TrapYears) -> pd.DataFrame:
    """Return the number of checks with moths of each trap-year that has any: ``year, checks``."""
    intervals = trap_years.intervals
    caught = (intervals["count"] > 0) | (intervals["status"] != "counted")
    checks = caught.groupby(intervals["trap_year"]).sum()
    table = trap_years.years[["trap_year", "year"]].assign(
        checks=trap_years.years["trap_year"].map(checks).fillna(0).astype(int)
    )
    return table.loc[table["checks"] > 0, ["year", "checks"]].reset_index(drop=True)


def recorded_in(data: FlightData) -> pd.DataFrame:
    """Return the same table for records that are assembled for a fit."""
    return pd.DataFrame({"year": data.table["year"].to_numpy(), "checks": np.diff(data.catch_of)})


def lacking_for_fit(checks: pd.DataFrame, *, flights: int, what: str = "") -> list[Problem]:
    """Return what the records lack for a fit."""
    number = int(checks["checks"].sum())
    if number >= LEAST_CHECKS * flights:
        return []
    return [
        Problem(
            f"too few records{f' of {what}' if what else ''}: {_count(number, 'check with moths')}, and a fit of "
            f"{_count(flights, 'flight')} a season needs at least {LEAST_CHECKS * flights}.",
            "Add records, or fit fewer flights." if flights > 1 else "Add records.",
        )
    ]


def lacking_for_verdict(checks: pd.DataFrame, *, flights: int) -> str:
    """Return why the records allow no verdict on a published threshold; empty where they do."""
    found = {
        "check with moths": (int(checks["checks"].sum()), LEAST_CHECKS * flights),
        "trap-year": (len(checks), LEAST_TRAP_YEARS),
        "season": (int(checks["year"].nunique()), LEAST_SEASONS),
    }
    if all(number >= least for number, least in found.values()):
        return ""
    have = ", ".join(_count(number, word) for word, (number, _) in found.items())
    need = ", ".join(_count(least, word) for word, (_, least) in found.items())
    return f"the records hold {have}; a verdict needs at least {need}"


def _count(number: int, word: str) -> str:
    head, *rest = word.split(" ")
    return " ".join([str(number), head if number == 1 else f"{head}s", *rest])
