"""Kinds of values that a study file holds, each with its own clear refusal."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationInfo
from pydantic_core import PydanticCustomError

from phenofit.errors import ModelError, UnitError
from phenofit.files.dates import DATE_FORMS, DATE_ORDERS
from phenofit.files.tables import nearest
from phenofit.heat.settings import check_thresholds, upper_threshold
from phenofit.seasons import MonthDay
from phenofit.traps.intervals import interval_days_fault
from phenofit.units import parse_degree_days, parse_lapse, temperature_unit

_T = TypeVar("_T")
TEMPERATURE_WAYS = ("degF", "degC")
"""The units that a refusal of a bare temperature proposes."""
_NUMBER = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?")


class Part(BaseModel):
    """A table of the study file: frozen, no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", validate_default=False)


def refuse(finding: str, remedy: str) -> PydanticCustomError:
    """Return an error that holds a finding and a remedy."""
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
        remedy = "Write true or false, without quotation marks."
        raise refuse(f"{_shown(value)} is neither true nor false.", remedy)
    return value


def is_number(value: Any) -> bool:
    """Return whether a value is a finite number that a double holds."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return abs(value) <= sys.float_info.max


def _number(value: Any) -> float:
    if not is_number(value):
        remedy = "Write a number without quotation marks and without a unit."
        raise refuse(f"{_shown(value)} is not a number.", remedy)
    return float(value)


def _positive(value: Any) -> float:
    number = _number(value)
    if number <= 0:
        raise refuse(f"{value!r} is not above 0.", "Write a number above 0.")
    return number


def _interval_days(value: Any) -> float:
    days = _number(value)
    fault = interval_days_fault(days)
    if fault:
        raise refuse(f"{_shown(value)} {fault}.", "Write the days as a number, such as 7.")
    return days


def _count(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 1:
        remedy = "Write 1 or more, without quotation marks."
        raise refuse(f"{_shown(value)} is not a whole number above 0.", remedy)
    return value


def base_temperature(value: Any, info: ValidationInfo) -> float:
    """Take a base temperature with its unit."""
    _need_unit(value, f"{info.field_name} = ", *TEMPERATURE_WAYS)
    return _parsed(value, lambda text: check_thresholds(text)[0])


def upper_temperature(value: Any, info: ValidationInfo) -> float:
    """Take an upper threshold with its unit."""
    _need_unit(value, f"{info.field_name} = ", *TEMPERATURE_WAYS)
    return _parsed(value, upper_threshold)


def temperature_range(value: Any) -> tuple[float, float]:
    """Take two upper thresholds with their units, the lower one first."""
    example = 'Write for example ["28 degC", "36 degC"].'
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise refuse(f"{value!r} is not a pair of temperatures.", example)
    for item in value:
        _need_unit(item, "", *TEMPERATURE_WAYS)
    low, high = (_parsed(item, upper_threshold) for item in value)
    if not low < high:
        raise refuse(f"{value!r} does not run from low to high.", example)
    return low, high


def unit_fault(value: Any, before: str, *units: str) -> tuple[str, str] | None:
    """Return what is wrong with a quantity that has no unit, and how to write it; None if it has one."""
    if isinstance(value, str) and not _NUMBER.fullmatch(value.strip()):
        return None
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        remedy = f'Write for example {before}"50 {units[0]}".'
        return f"{_shown(value)} is not a quantity with a unit.", remedy
    number = value.strip() if isinstance(value, str) else f"{value:g}"
    ways = " or ".join(f'"{number} {unit}"' for unit in units)
    return f"{_shown(value)} has no unit.", f"Write {before}{ways}."


def _need_unit(value: Any, before: str, *units: str) -> None:
    fault = unit_fault(value, before, *units)
    if fault is not None:
        raise refuse(*fault)


def _parsed(value: str, parse: Callable[[str], _T]) -> _T:
    try:
        return parse(value)
    except (UnitError, ModelError) as fault:
        raise refuse(str(fault), "Write a number and its unit.") from None


def degree_days(value: Any, key: str) -> float:
    """Take a heat sum with its unit."""
    _need_unit(value, f"{key} = ", "degC d", "degF d")
    return _parsed(value, parse_degree_days)


def lapse_rate(value: Any) -> Any:
    """Take "fit", 0, or a change of temperature with height with its unit."""
    if value == "fit":
        return value
    if type(value) in (int, float) and value == 0:
        return 0.0  # zero is the same in every unit
    _need_unit(value, "lapse = ", "degC/km", "degF/1000 ft")
    return _parsed(value, parse_lapse)


def _temperature_unit(value: Any) -> str:
    try:
        return temperature_unit(value)
    except UnitError:
        remedy = "Accepted are degC, degF and kelvin."
        raise refuse(f"{_shown(value)} is not a temperature unit.", remedy) from None


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
        remedy = 'Write lines such as trap = "PlotID".'
        raise refuse(f"{_shown(value)} is not a table of column names.", remedy)
    result: dict[str, str | tuple[str, ...]] = {}
    for ours, theirs in value.items():
        if isinstance(theirs, str):
            result[str(ours)] = theirs
        elif isinstance(theirs, list | tuple) and theirs and all(isinstance(t, str) for t in theirs):
            result[str(ours)] = tuple(theirs)
        else:
            remedy = 'Write the name in the file: ours = "theirs".'
            raise refuse(f"the column '{ours}' is given as {_shown(theirs)}.", remedy)
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
IntervalDays = Annotated[float, BeforeValidator(_interval_days)]
Count = Annotated[int, BeforeValidator(_count)]
UpperTemperature = Annotated[float, BeforeValidator(upper_temperature)]
TemperatureUnit = Annotated[str, BeforeValidator(_temperature_unit)]
MonthDayText = Annotated[str, BeforeValidator(month_day)]
Day = Annotated[date, BeforeValidator(_day)]
FilePath = Annotated[Path, BeforeValidator(_path)]
Columns = Annotated[dict[str, str | tuple[str, ...]], BeforeValidator(_columns)]
DateForm = Annotated[str, BeforeValidator(choice(*DATE_FORMS))]
DateOrder = Annotated[str, BeforeValidator(choice(*DATE_ORDERS))]
