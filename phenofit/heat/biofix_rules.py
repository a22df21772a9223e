"""Biofix dates found from the catches by a rule that the user states."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from phenofit.deferred import deferred
from phenofit.errors import ModelError

if TYPE_CHECKING:
    import pandas as pd
else:
    pd = deferred("pandas")

BIOFIX_RULES: Final[tuple[str, ...]] = ("first catch", "sustained catch", "catch per trap")
"""Rules by which a biofix is found."""


def find_biofix(
    group: Sequence[Any],
    check: Sequence[Any],
    count: Sequence[float],
    *,
    trap: Sequence[Any] | None = None,
    previous: Sequence[Any] | None = None,
    rule: str = "first catch",
    at_least: float = 1.0,
    at: str = "check",
) -> pd.DataFrame:
    """Find the biofix of every group of checks, such as a site in a season.

    Parameters
    ----------
    group : sequence, length checks
        Group of each check.
    check : sequence of dates
        When the trap was looked at.
    count : sequence of float
        Moths found; NaN where the catch is not known. Such a check is ignored: it neither begins nor breaks a run.
    trap : sequence, optional
        Trap of each check; by default each group has one trap.
    previous : sequence of dates, optional
        When the trap was looked at, or set, before; needed for ``at="middle"``.
    rule : str
        ``"first catch"``: the first check with `at_least` moths in one trap. ``"sustained catch"``: the first of
        two successive checks of one trap with `at_least` moths each. ``"catch per trap"``: the first check at
        which the moths of all traps so far, divided by the number of traps of the group, reach `at_least`.
    at_least : float
        Number of moths of the rule.
    at : str
        ``"check"``: the biofix is the check itself, as is common practice (no source). ``"middle"``: halfway
        between it and the check before.

    Returns
    -------
    pandas.DataFrame
        One row for each group in order of first appearance: ``group``, ``biofix`` (datetime64[ns], NaT where the
        rule is never met), ``checks`` (checks with a known catch), ``rule`` in words.

    Raises
    ------
    ModelError
        If the rule, `at` or a number is not accepted, or the sequences differ in length.

    Examples
    --------
    >>> days = ["2024-05-03", "2024-05-10", "2024-05-17", "2024-05-24"]
    >>> found = find_biofix(["a"] * 4, days, [1, 0, 2, 5], rule="sustained catch", at_least=2)
    >>> str(found["biofix"][0].date())
    '2024-05-17'
    """
    table = _table(group, check, count, trap, previous)
    if rule not in BIOFIX_RULES:
        raise ModelError(f"'{rule}' is not a biofix rule; accepted are {', '.join(BIOFIX_RULES)}.")
    if not at_least > 0.0:
        raise ModelError(f"a biofix rule needs a number of moths above 0; found {at_least:g}.")
    if at not in ("check", "middle") or (at == "middle" and previous is None):
        raise ModelError("at must be 'check', or 'middle' with previous= given.")
    known = table[table["count"].notna()].sort_values("check", kind="stable")
    find = {"first catch": _first, "sustained catch": _sustained, "catch per trap": _per_trap}[rule]
    words = {
        "first catch": f"first check with at least {at_least:g} in a trap",
        "sustained catch": f"first of two successive checks of a trap with at least {at_least:g} each",
        "catch per trap": f"first check at which the catch so far is at least {at_least:g} per trap",
    }[rule]
    rows = []
    for name in pd.unique(table["group"]):
        part = known[known["group"] == name]
        hit = find(part, at_least)
        date = pd.NaT
        if hit is not None:
            row = part.loc[hit]
            date = row["check"] if at == "check" else row["previous"] + (row["check"] - row["previous"]) / 2
        rows.append((name, date, len(part), words))
    result = pd.DataFrame(rows, columns=["group", "biofix", "checks", "rule"])
    result["biofix"] = result["biofix"].astype("datetime64[ns]")
    return result


def _table(
    group: Sequence[Any],
    check: Sequence[Any],
    count: Sequence[float],
    trap: Sequence[Any] | None,
    previous: Sequence[Any] | None,
) -> pd.DataFrame:
    columns = {"group": group, "check": check, "count": count, "trap": trap, "previous": previous}
    given = {name: np.asarray(values) for name, values in columns.items() if values is not None}
    lengths = {name: len(values) for name, values in given.items()}
    if len(set(lengths.values())) > 1:
        raise ModelError(f"the sequences differ in length: {lengths}.")
    table = pd.DataFrame(given)
    table["check"] = pd.to_datetime(table["check"]).astype("datetime64[ns]")
    table["count"] = table["count"].astype(float)
    if trap is None:
        table["trap"] = table["group"]
    if previous is not None:
        table["previous"] = pd.to_datetime(table["previous"]).astype("datetime64[ns]")
    return table


def _first(part: pd.DataFrame, at_least: float) -> Any:
    hits = part.index[part["count"] >= at_least]
    return hits[0] if len(hits) else None


def _sustained(part: pd.DataFrame, at_least: float) -> Any:
    enough = part["count"] >= at_least
    both = enough & enough.groupby(part["trap"]).shift(-1, fill_value=False)
    hits = part.index[both]
    return hits[0] if len(hits) else None


def _per_trap(part: pd.DataFrame, at_least: float) -> Any:
    mean = part["count"].cumsum() / max(1, part["trap"].nunique())
    hits = part.index[mean >= at_least]
    return hits[0] if len(hits) else None
