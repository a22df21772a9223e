"""Temperatures and degree-days with their units.

A temperature and a degree-day convert differently: 50 °F is 10 °C, but 50 °F-days are 27.8 °C-days. Inside
phenofit every temperature is in degrees Celsius and every heat sum in Celsius degree-days; this module is the
only place where anything is converted.
"""

from __future__ import annotations

import re
from typing import TypeVar, overload

import numpy as np

from phenofit.errors import UnitError

TEMPERATURE_UNITS = ("degC", "degF", "kelvin")
DEGREE_DAY_UNITS = ("degC d", "degF d")

_T = TypeVar("_T")

_TEMPERATURE_ALIASES = {
    "degc": "degC",
    "deg_c": "degC",
    "c": "degC",
    "°c": "degC",
    "celsius": "degC",
    "degree_celsius": "degC",
    "degrees_celsius": "degC",
    "degreec": "degC",
    "degreesc": "degC",
    "degree_c": "degC",
    "degrees_c": "degC",
    "degf": "degF",
    "deg_f": "degF",
    "f": "degF",
    "°f": "degF",
    "fahrenheit": "degF",
    "degree_fahrenheit": "degF",
    "degrees_fahrenheit": "degF",
    "degreef": "degF",
    "degreesf": "degF",
    "degree_f": "degF",
    "degrees_f": "degF",
    "k": "kelvin",
    "kelvin": "kelvin",
    "kelvins": "kelvin",
    "degk": "kelvin",
    "deg_k": "kelvin",
    "degree_kelvin": "kelvin",
}

# A bare number is a base or an upper threshold in degrees Celsius; outside of these degrees Fahrenheit are meant.
LOWEST_THRESHOLD, HIGHEST_BASE, HIGHEST_UPPER = -20.0, 35.0, 60.0

_NUMBER = r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?"
_HEIGHTS = {"km": 1000.0, "100 m": 100.0, "m": 1.0, "1000 ft": 304.8}
_STEEPEST_LAPSE = 20.0
_QUANTITY = re.compile(rf"^\s*({_NUMBER})\s*(\S.*?)?\s*$")


def temperature_unit(text: str) -> str:
    """Return the name that phenofit uses for a temperature unit."""
    key = re.sub(r"\s+", "_", str(text).strip().lower())
    try:
        return _TEMPERATURE_ALIASES[key]
    except KeyError:
        raise UnitError(
            f"'{text}' is not a temperature unit; accepted are {', '.join(TEMPERATURE_UNITS)}."
        ) from None


def degree_day_unit(text: str) -> str:
    """Return the name that phenofit uses for a degree-day unit."""
    match = re.fullmatch(r"(.+?)[\s*·.-]*(?:d|day|days)", str(text).strip(), flags=re.IGNORECASE)
    if match:
        try:
            unit = temperature_unit(match.group(1).rstrip(" -*·."))
        except UnitError:
            pass
        else:
            return "degF d" if unit == "degF" else "degC d"
    raise UnitError(f"'{text}' is not a degree-day unit; accepted are {', '.join(DEGREE_DAY_UNITS)}.")


@overload
def to_celsius(value: float, unit: str) -> float: ...
@overload
def to_celsius(value: _T, unit: str) -> _T: ...
def to_celsius(value, unit):  # type: ignore[no-untyped-def]
    """Convert temperatures to degrees Celsius."""
    name = temperature_unit(unit)
    if name == "degF":
        return (value - 32.0) / 1.8
    if name == "kelvin":
        return value - 273.15
    return value


@overload
def from_celsius(value: float, unit: str) -> float: ...
@overload
def from_celsius(value: _T, unit: str) -> _T: ...
def from_celsius(value, unit):  # type: ignore[no-untyped-def]
    """Convert temperatures from degrees Celsius."""
    name = temperature_unit(unit)
    if name == "degF":
        return value * 1.8 + 32.0
    if name == "kelvin":
        return value + 273.15
    return value


@overload
def convert_degree_days(value: float, unit: str, to: str) -> float: ...
@overload
def convert_degree_days(value: _T, unit: str, to: str) -> _T: ...
def convert_degree_days(value, unit, to):  # type: ignore[no-untyped-def]
    """Convert heat sums between Celsius and Fahrenheit degree-days."""
    source, target = degree_day_unit(unit), degree_day_unit(to)
    if source == target:
        return value
    return value / 1.8 if source == "degF d" else value * 1.8


def _quantity(text: str, what: str, fahrenheit: str, celsius: str) -> tuple[float, str]:
    match = _QUANTITY.match(text)
    if match is None:
        raise UnitError(f"'{text}' is not {what}; write a number and its unit, for example '{celsius}'.")
    if match.group(2) is None:
        units = [example.split(" ", 1)[1] for example in (fahrenheit, celsius)]
        number = match.group(1)
        raise UnitError(f"'{text}' has no unit; write '{number} {units[0]}' or '{number} {units[1]}'.")
    number = float(match.group(1))
    if not np.isfinite(number):
        raise UnitError(f"'{text}' is not a finite number.")
    return number, match.group(2)


def parse_temperature(value: str | float, *, highest: float = HIGHEST_BASE) -> float:
    """Read a threshold temperature such as ``"50 degF"``; a bare number is in degrees Celsius."""
    if isinstance(value, str):
        number, unit = _quantity(value, "a temperature", "50 degF", "10 degC")
        return float(to_celsius(number, unit))
    result = float(value)
    if not np.isfinite(result):
        raise UnitError(f"'{value}' is not a finite temperature.")
    if not LOWEST_THRESHOLD <= result <= highest:
        raise UnitError(
            f"a bare number is in degC, and {result:g} degC lies outside {LOWEST_THRESHOLD:g} to {highest:g}; "
            f"did you mean '{result:g} degF'?"
        )
    return result


def parse_degree_days(value: str | float) -> float:
    """Read a heat sum such as ``"900 degF d"``; a bare number is in Celsius degree-days."""
    if isinstance(value, str):
        number, unit = _quantity(value, "a heat sum", "900 degF d", "500 degC d")
        result = float(convert_degree_days(number, unit, "degC d"))
    else:
        result = float(value)
    if not np.isfinite(result):
        raise UnitError(f"'{value}' is not a finite heat sum.")
    return result


def parse_lapse(value: str | float) -> float:
    """Read a change of temperature with height such as ``"-6.5 degC/km"``; a bare number is in degrees Celsius per km."""
    if isinstance(value, str):
        number, unit = _quantity(
            value, "a change of temperature with height", "-3.5 degF/1000 ft", "-6.5 degC/km"
        )
        degree, _, height = unit.partition("/")
        metres = _HEIGHTS.get(" ".join(height.split()).lower())
        if metres is None:
            raise UnitError(f"'{unit}' is no unit of a change with height; write such as '-6.5 degC/km'.")
        size = 1.0 / 1.8 if temperature_unit(degree) == "degF" else 1.0
        result = number * size * 1000.0 / metres
    else:
        result = float(value)
    if not abs(result) < _STEEPEST_LAPSE:
        raise UnitError(f"'{value}' is not between -{_STEEPEST_LAPSE:g} and {_STEEPEST_LAPSE:g} degC/km.")
    return result


def format_degree_days(value: float, unit: str = "degC d", digits: int = 0) -> str:
    """Write a heat sum for people."""
    name = degree_day_unit(unit)
    sign = "°F-days" if name == "degF d" else "°C-days"
    return f"{convert_degree_days(value, 'degC d', name):.{digits}f} {sign}"
