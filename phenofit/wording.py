"""How numbers, dates and names are written in figures and on pages."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pandas as pd

from phenofit.flight.result_text import decimals
from phenofit.seasons import MONTHS, MonthDay, day_words

if TYPE_CHECKING:
    from phenofit.flight.result import FlightFit


def number(value: float | None, digits: int = 1) -> str:
    """Return a number with a true minus sign, or an empty text where there is none."""
    if value is None or pd.isna(value):
        return ""
    text = f"{value:.{digits}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def start_words(text: str) -> str:
    """Return where a heat sum begins: ``"1 January"`` for ``"01-01"``, ``"the biofix"`` for ``"biofix"``."""
    if text == "biofix":
        return "the biofix"
    start = MonthDay.parse(text)
    return f"{start.day} {MONTHS[start.month - 1]}"


def day(value: Any, *, year: bool = False) -> str:
    """Return a date as day and month, or an empty text for none."""
    if value is None or pd.isna(value):
        return ""
    return day_words(pd.Timestamp(value), short=True, year=year)


def forecaster_words(name: str) -> str:
    """Return the name of a forecaster of the validation table on a page."""
    if name == "fitted":
        return "fitted here"
    if name == "calendar mean":
        return "mean calendar date"
    if name.startswith("published:"):
        return f"published threshold {name.partition(':')[2]}, on its own terms"
    if name.startswith("published base, refitted"):
        row = name.partition(": ")[2]
        return "published base, requirement refitted" + (f" ({row})" if row else "")
    return name


def heat_words(fit: FlightFit, *, base: bool = True) -> str:
    """Return how the heat of a fit is summed; base and fitted upper threshold rounded by their intervals."""
    heat = fit.settings.heat
    if heat.upper is not None:
        heat = replace(heat, upper=round(heat.upper, fitted_decimals(fit, "upper")))
    return heat.describe(round(fit.base, fitted_decimals(fit, "base")) if base else None)


def fitted_decimals(fit: FlightFit, name: str) -> int:
    """Return how many decimals of a parameter are shown; two where it has no interval."""
    if name not in fit.profiles:
        return 2
    found = decimals(fit.parameters[name], *fit.interval(name))
    return 2 if found is None else found
