"""The older rules beside the fit: one table, and in words where they differ and why."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from phenofit.analysis.fit_checks import FITTED_RULE
from phenofit.flight.result import FlightFit
from phenofit.report.page_tables import PageTable
from phenofit.validate.older_forecasters import OLDER
from phenofit.validate.scores import first_scheme
from phenofit.wording import heat_words, number, start_words

_END = 1e-3  # as near to an end of the search as this is at the end [degC]
_NEAR = 0.5  # what counts as the same base where none was fitted [degC]


def older_table(fit: FlightFit, older: pd.DataFrame, scores: pd.DataFrame) -> PageTable:
    """Return the fit and the older rules with base, requirement, standard errors, and their errors in days."""
    errors = _held_out(scores)
    several = fit.settings.flights > 1
    tested = any(f"{OLDER}: {rule}" == name for rule in older["rule"] for name, _ in errors)
    rows = []
    for row in older.to_dict("records"):
        rule, flight = str(row["rule"]), int(row["flight"])
        lost = rule != FITTED_RULE and _position(row, fit) in ("end", "none")
        name = FITTED_RULE if rule == FITTED_RULE else f"{OLDER}: {rule}"
        error = errors.get(("fitted" if rule == FITTED_RULE else name, flight))
        cells = [
            f"flight {flight}: {rule}" if several else rule,
            _base_cell(row, fit),
            "" if lost else number(row["base_se"], 2),
            number(row["requirement"], 0),
            "" if lost else number(row["requirement_se"], 0),
            number(row["scatter_days"]),
        ]
        rows.append(tuple([*cells, number(error)] if tested else cells))
    heads = [
        "rule", "base [°C]", "standard error", "requirement [°C-days]", "standard error", "scatter at the event [days]"
    ]  # fmt: skip
    if tested:
        heads.append("mean absolute error, held out [days]")
    heat = heat_words(fit, base=False)
    return PageTable(
        f"Traditional rules for the base, on the dates of half of the flight; heat: "
        f"{heat}, summed from {start_words(fit.settings.start_words)}. Standard errors: jackknife over years, of the fit from its curvature. "
        "Scatter: SD of the heat at the event over the mean heat per day before it, so that bases can be compared.",
        tuple(heads),
        tuple(rows),
        (False, *(True for _ in heads[1:])),
    )


def older_sentences(fit: FlightFit, older: pd.DataFrame) -> list[str]:
    """Return where the older rules differ from the fit, and why, from the numbers."""
    low, high = fit.interval("base") if "base" in fit.profiles else (fit.base - _NEAR, fit.base + _NEAR)
    where = (
        "inside the interval of the fitted base"
        if "base" in fit.profiles
        else f"within {number(_NEAR)} °C of the base that was held"
    )
    said = []
    for flight, part in older[older["rule"] != FITTED_RULE].groupby("flight", sort=True):
        rows = [{str(k): v for k, v in row.items()} for row in part.to_dict("records")]
        agree = [row for row in rows if _position(row, fit) == "inside" and _inside(row["base"], low, high)]
        lines = []
        if agree:
            names = " and ".join(f"{row['rule']} ({number(row['base'])} °C)" for row in agree)
            lines.append(f"{names} {'lie' if len(agree) > 1 else 'lies'} {where}.")
        lines += [_reason(row, fit) for row in rows if row not in agree]
        several = fit.settings.flights > 1
        said += [f"Flight {flight}: {line}" if several else line[:1].upper() + line[1:] for line in lines]
    return said


def _reason(row: Mapping[str, Any], fit: FlightFit) -> str:
    """Return the result of a rule, and the numbers behind it."""
    rule, base = str(row["rule"]), float(row["base"])
    if not np.isfinite(base):
        return f"{rule} gives no base: {row['note']}."
    at, there, position = f"{number(fit.base)} °C", f"{number(base)} °C", _position(row, fit)
    where = f"{rule} gives {'no base, only the end of the search at ' if position == 'end' else ''}{there}"
    where += ", outside the search" if position == "outside" else ""
    own, mean = float(row["spread_at_fit"]), float(row["mean_at_fit"])
    spread, heat = float(row["spread"]), float(row["requirement"])
    if rule == "least SD in degree-days":
        why = (
            f"from {at} to there the SD of the heat goes from {number(own, 0)} to {number(spread, 0)} °C-days, but the "
            f"sum itself from {number(mean, 0)} to {number(heat, 0)}"
        )
    elif rule == "least CV in days":
        why = (
            f"from {at} to there the SD goes from {number(100 * own / mean)} to {number(100 * spread / heat)} % of the "
            f"sum, which itself goes from {number(mean, 0)} to {number(heat, 0)} °C-days"
        )
    elif rule == "regression coefficient":
        why = (
            f"at {at} the heat at the event changes by {number(row['slope_at_fit'], 0)} °C-days for each degree of mean "
            f"temperature, at {there} by {number(row['criterion'], 0)}"
        )
    elif rule == "x-intercept":
        why = (
            f"its line of 1/days rests on mean temperatures from {number(row['coldest'])} to {number(row['warmest'])} °C "
            f"and is extended to zero at {there}"
        )
    else:
        return f"{where}: {_by_error(row, fit)}; {_in_days(row)}."
    return f"{where}: {why}; {_in_days(row)}."


def _by_error(row: Mapping[str, Any], fit: FlightFit) -> str:
    """Return how far a base lies from the fitted one, measured by its own standard error where it has one."""
    away, error = abs(float(row["base"]) - fit.base), float(row["base_se"])
    text = f"{number(away)} °C from the fitted base"
    return f"{text}, {number(away / error)} times its own standard error" if error > 0.0 else text


def _in_days(row: Mapping[str, Any]) -> str:
    """Compare the rule's scatter in days with that at the fitted base."""
    days = float(row["scatter_days"])
    if not np.isfinite(days):
        return "there is no heat left before the event"
    own = float(row["scatter_at_fit"])
    change = "the same as" if abs(days - own) < 0.05 else "more than" if days > own else "less than"
    return f"in days the scatter is {number(days)}, {change} {number(own)} at the fitted base"


def _position(row: Mapping[Any, Any], fit: FlightFit) -> str:
    """Return where a base lies: ``inside`` the search, at its ``end``, ``outside``, or ``none``."""
    base = float(row["base"])
    if not np.isfinite(base):
        return "none"
    low, high = fit.settings.base_range
    if min(abs(base - low), abs(base - high)) < _END:
        return "end"
    return "inside" if low < base < high else "outside"


def _base_cell(row: Mapping[Any, Any], fit: FlightFit) -> str:
    position = "inside" if row["rule"] == FITTED_RULE else _position(row, fit)
    text = number(row["base"], 2)
    return {
        "none": "none",
        "end": f"none (search ends at {text})",
        "outside": f"{text} (outside the search)",
    }.get(position, text)


def _inside(base: float, low: float | None, high: float | None) -> bool:
    return (low is None or low <= base) and (high is None or base <= high)


def _held_out(scores: pd.DataFrame, event: str = "flight_50") -> dict[tuple[str, int], float]:
    if scores.empty:
        return {}
    first = first_scheme(scores, event)
    known = first[first["lead_days"].isna()].to_dict("records")
    return {(str(row["forecaster"]), int(row["flight"])): float(row["mae_days"]) for row in known}
