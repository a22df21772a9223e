"""How numbers, dates and names are written on a page: always with their unit, an open end in words."""

from __future__ import annotations

from typing import Any

import pandas as pd

from phenofit.flight.likelihood.parameters import TABLE
from phenofit.units import convert_degree_days, from_celsius
from phenofit.wording import day, number

_UNITS = {"degC": "°C", "degC d": "°C-days", "degF": "°F", "degF d": "°F-days", "1": "", "1/degC": "per °C"}
_WORDS = {parameter.name: parameter.words for parameter in TABLE}
_OF_FIRST_CATCHES = {
    "requirement": "heat at half of the first catches",
    "spread": "spread of the first catches",
}


_SCHEMES = {
    "year": ("a year at a time", "Each year forecast from the others"),
    "site": ("a site at a time", "Each site forecast from the others"),
    "past": ("all but the past years", "Each year forecast from those before it"),
    "block": ("a block of neighbouring sites at a time", "Each block of sites forecast from the others"),
    "year and site": ("a year and a site at a time", "Each site in a year forecast from the rest"),
    "year and block": (
        "a year and a block of sites at a time",
        "Each block of sites in a year forecast from the rest",
    ),
}


def amount(value: float) -> str:
    """Return a heat sum in both units; base, method and start must stand beside it."""
    return f"{number(value, 0)} °C-days ({number(float(convert_degree_days(value, 'degC d', 'degF d')), 0)} °F-days)"


def temperature(value: float, digits: int = 1) -> str:
    """Return a temperature in both units."""
    return f"{number(value, digits)} °C ({number(float(from_celsius(value, 'degF')), digits)} °F)"


def interval(low: float | None, high: float | None, unit: str, digits: int = 1) -> str:
    """Return an interval in words, its open ends named."""
    lower, upper = number(low, digits), number(high, digits)
    tail = f" {unit}" if unit else ""
    if lower and upper:
        return f"{lower} to {upper}{tail}"
    if upper:
        return f"up to {upper}{tail}, open below"
    if lower:
        return f"from {lower}{tail}, open above"
    return "open on both sides"


def period(low: Any, high: Any) -> str:
    """Return a span of dates; an end that lies beyond the season is said so."""
    first, last = day(low), day(high)
    if not first:
        return "not this season"
    return f"{first} to {last or 'past the season'}"


def scheme_words(scheme: str) -> tuple[str, str]:
    """Return what a scheme of validation leaves out, and how a sentence on its errors begins."""
    return _SCHEMES.get(scheme, (f"by {scheme}", f"Held out by {scheme}"))


def parameter_words(name: str, flight: Any = None, flights: int = 1, records: str = "counts") -> str:
    """Return what a parameter of a fit to such records is."""
    text = _WORDS.get(name, name.replace("_", " "))
    if records == "first catch":
        text = _OF_FIRST_CATCHES.get(name, text)
    known = flight is not None and not pd.isna(flight)
    return f"{text}, flight {flight}" if known and flights > 1 else text


def unit_words(unit: str) -> str:
    """Return a unit as it is written on a page."""
    return _UNITS.get(unit, unit)
