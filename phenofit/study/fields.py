"""Kinds of values that a study file holds, each with its own clear refusal."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, ValidationInfo
from pydantic_core import PydanticCustomError

from phenofit.errors import ModelError, UnitError
from phenofit.heat.settings import check_base
from phenofit.seasons import MonthDay
from phenofit.tables import DATE_ORDERS, nearest
from phenofit.units import parse_temperature, temperature_unit

__all__ = [
    "Columns",
    "Count",
    "DateOrder",
    "Day",
    "FilePath",
    "Flag",
    "MonthDayText",
    "Number",
    "PositiveNumber",
    "Temperature",
    "TemperatureUnit",
    "Text",
    "Texts",
    "base_temperature",
    "choice",
    "month_day",
    "refuse",
    "temperature",
    "texts",
    "words",
]


def refuse(finding: str, remedy: str) -> PydanticCustomError:
    """Return an error that carries a finding and a remedy through the validation."""
    return PydanticCustomError("refused", "{finding} {remedy}", {"finding": finding, "remedy": remedy})


def _shown(value: Any) -> str:
    return f"'{value}'" if isinstance(value, str) else f"{value!r}"


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        raise refuse(f"{_shown(value)} is not a text.", "Write a text in quotation marks.")
    return " ".join(value.split())


def texts(value: Any) -> tuple[str, ...]:
    """Take one text or a list of texts."""
    items = [value] if isinstance(value, str) else value
    if not isinstance(items, list | tuple) or not all(isinstance(item, str) for item in items):
        raise refuse(f"{_shown(value)} is no text or list of texts.", 'Write "one" or ["one", "two"].')
    return tuple(" ".join(item.split()) for item in items)


def _flag(value: Any) -> bool:
    if not isinstance(value, bool):
        raise refuse(
            f"{_shown(value)} is neither true nor false.", "Write true or false, without quotation marks."
        )
    return value


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise refuse(
            f"{_shown(value)} is not a number.", "Write a number without quotation marks and without a unit."
        )
    return float(value)


def _positive(value: Any) -> float:
    number = _number(value)
    if number <= 0:
        raise refuse(f"{value!r} is not above 0.", "Write a number above 0.")
    return number


def _count(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 1:
        raise refuse(
            f"{_shown(value)} is not a whole number above 0.", "Write 1 or more, without quotation marks."
        )
    return value


def temperature(value: Any) -> float:
    """Take a temperature with its unit."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        raise refuse(f"{value!r} has no unit.", f'Write "{value:g} degC" or "{value:g} degF".')
    if not isinstance(value, str):
        raise refuse(f"{_shown(value)} is not a temperature.", 'Write for example "50 degF" or "10 degC".')
    try:
        return parse_temperature(value)
    except UnitError as fault:
        raise refuse(str(fault), "Accepted are degC, degF and kelvin.") from None


def base_temperature(value: Any) -> float:
    """Take a base temperature with its unit."""
    temperature(value)
    try:
        return check_base(value)
    except UnitError as fault:
        raise refuse(str(fault), 'Write for example "50 degF" or "10 degC".') from None


def _temperature_unit(value: Any) -> str:
    try:
        return temperature_unit(value)
    except UnitError:
        raise refuse(
            f"{_shown(value)} is not a temperature unit.", "Accepted are degC, degF and kelvin."
        ) from None


def month_day(value: Any) -> str:
    """Take a month-day."""
    try:
        return str(MonthDay.parse(value))
    except ModelError as fault:
        raise refuse(str(fault), 'Write month-day in quotation marks, such as "03-01".') from None


def _day(value: Any) -> date:
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    try:
        return date.fromisoformat(str(value))
    except ValueError:
        raise refuse(f"{_shown(value)} is not a date.", "Write year-month-day, such as 2024-06-01.") from None


def _path(value: Any, info: ValidationInfo) -> Path:
    if not isinstance(value, str | Path) or not str(value).strip() or "\0" in str(value):
        raise refuse(f"{_shown(value)} is not a file name.", "Write a path relative to the study file.")
    folder = (info.context or {}).get("folder", Path())
    return Path(folder, value)


def _columns(value: Any) -> dict[str, str | tuple[str, ...]]:
    if not isinstance(value, dict):
        raise refuse(
            f"{_shown(value)} is not a table of column names.", 'Write lines such as trap = "PlotID".'
        )
    result: dict[str, str | tuple[str, ...]] = {}
    for ours, theirs in value.items():
        if isinstance(theirs, str):
            result[str(ours)] = theirs
        elif isinstance(theirs, list | tuple) and theirs and all(isinstance(t, str) for t in theirs):
            result[str(ours)] = tuple(theirs)
        else:
            raise refuse(
                f"the column '{ours}' is given as {_shown(theirs)}.",
                'Write the name in the file: ours = "theirs".',
            )
    return result


def choice(*accepted: str) -> Callable[[Any], str]:
    """Return a validator that takes one of some words and names the nearest for any other."""

    def check(value: Any) -> str:
        if isinstance(value, str) and value in accepted:
            return value
        hint = nearest(value, accepted) if isinstance(value, str) else ""
        listed = ", ".join(f"'{word}'" for word in accepted)
        raise refuse(f"{_shown(value)} is not accepted.", f"Accepted: {listed}.{hint}")

    return check


def words(*accepted: str) -> Callable[[Any], tuple[str, ...]]:
    """Return a validator that takes one or several of some words."""
    check = choice(*accepted)
    return lambda value: tuple(check(item) for item in texts(value))


Text = Annotated[str, BeforeValidator(_text)]
Texts = Annotated[tuple[str, ...], BeforeValidator(texts)]
Flag = Annotated[bool, BeforeValidator(_flag)]
Number = Annotated[float, BeforeValidator(_number)]
PositiveNumber = Annotated[float, BeforeValidator(_positive)]
Count = Annotated[int, BeforeValidator(_count)]
Temperature = Annotated[float, BeforeValidator(temperature)]
TemperatureUnit = Annotated[str, BeforeValidator(_temperature_unit)]
MonthDayText = Annotated[str, BeforeValidator(month_day)]
Day = Annotated[date, BeforeValidator(_day)]
FilePath = Annotated[Path, BeforeValidator(_path)]
Columns = Annotated[dict[str, str | tuple[str, ...]], BeforeValidator(_columns)]
DateOrder = Annotated[str, BeforeValidator(choice(*DATE_ORDERS))]
