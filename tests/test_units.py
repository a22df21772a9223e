"""Temperatures and degree-days convert differently, and nothing without a unit is taken."""

from __future__ import annotations

import math
from typing import Literal

import hypothesis.strategies as st
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given
from scipy import constants

from phenofit.errors import UnitError
from phenofit.heat import degree_days
from phenofit.heat.settings import HeatSettings, check_thresholds
from phenofit.units import (
    convert_degree_days,
    degree_day_unit,
    format_degree_days,
    from_celsius,
    parse_degree_days,
    parse_lapse,
    parse_temperature,
    temperature_unit,
    to_celsius,
)

SCIPY_NAMES: dict[str, Literal["Celsius", "Fahrenheit", "Kelvin"]] = {
    "degC": "Celsius",
    "degF": "Fahrenheit",
    "kelvin": "Kelvin",
}
REASONABLE = st.floats(-200.0, 2000.0)


@given(value=REASONABLE, unit=st.sampled_from(sorted(SCIPY_NAMES)))
def test_temperatures_agree_with_an_independent_library(value: float, unit: str) -> None:
    # Source: scipy.constants.convert_temperature.
    expected = float(constants.convert_temperature(value, SCIPY_NAMES[unit], "Celsius"))
    assert to_celsius(value, unit) == pytest.approx(expected, abs=1e-9)
    assert from_celsius(expected, unit) == pytest.approx(value, abs=1e-9)


@given(value=REASONABLE)
def test_degree_days_use_the_size_of_the_degree_only(value: float) -> None:
    # Source: scipy.constants.degree_Fahrenheit, the size of a Fahrenheit degree in kelvins.
    assert convert_degree_days(value, "degF d", "degC d") == pytest.approx(
        value * constants.degree_Fahrenheit
    )


@pytest.mark.parametrize(
    ("fahrenheit", "celsius"),
    # Degree-day figures as printed in both units by extension services; 900 °F-days above 50 °F is the same
    # requirement as 500 °C-days above 10 °C. Common practice, no source.
    [(900.0, 500.0), (1000.0, 555.5556), (50.0, 27.7778)],
)
def test_known_heat_sums(fahrenheit: float, celsius: float) -> None:
    assert convert_degree_days(fahrenheit, "degF d", "degC d") == pytest.approx(celsius, abs=5e-5)


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("°F", "degF"),
        ("F", "degF"),
        ("Fahrenheit", "degF"),
        ("degrees C", "degC"),
        ("K", "kelvin"),
        (" celsius ", "degC"),
    ],
)
def test_spellings_of_temperature_units(text: str, unit: str) -> None:
    assert temperature_unit(text) == unit


@pytest.mark.parametrize("text", ["", "deg", "R", "degX", "C d", "mm"])
def test_unknown_temperature_units_are_refused(text: str) -> None:
    with pytest.raises(UnitError, match="accepted are degC, degF, kelvin"):
        temperature_unit(text)


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("degC d", "degC d"),
        ("°F-days", "degF d"),
        ("K d", "degC d"),
        ("degF day", "degF d"),
        ("C·d", "degC d"),
    ],
)
def test_spellings_of_degree_day_units(text: str, unit: str) -> None:
    assert degree_day_unit(text) == unit


@pytest.mark.parametrize("text", ["degC", "°F", "days", "d", "", "degX d"])
def test_a_temperature_is_not_a_heat_sum(text: str) -> None:
    with pytest.raises(UnitError, match="is not a degree-day unit"):
        degree_day_unit(text)


@pytest.mark.parametrize(
    ("given", "expected"),
    [("50 degF", 10.0), ("50F", 10.0), ("-40 °F", -40.0), (10, 10.0), ("283.15 K", 10.0), ("1e1 C", 10.0)],
)
def test_temperatures_are_read_with_their_unit(given: str | float, expected: float) -> None:
    assert parse_temperature(given) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("given", "finding"),
    [
        ("50", "has no unit"),
        ("warm", "is not a temperature"),
        ("50 degX", "is not a temperature unit"),
        (math.nan, "is not a finite temperature"),
        ("50,5 degF", "is not a temperature unit|is not a temperature"),
    ],
)
def test_unreadable_temperatures_are_refused(given: str | float, finding: str) -> None:
    with pytest.raises(UnitError, match=finding):
        parse_temperature(given)


@pytest.mark.parametrize(
    ("number", "highest", "accepted"),
    [(-20.0, 35.0, True), (-20.01, 35.0, False), (35.0, 35.0, True), (35.01, 35.0, False), (60.0, 60.0, True),
     (60.01, 60.0, False)],
)  # fmt: skip
def test_a_bare_number_is_in_celsius_within_its_limits(number: float, highest: float, accepted: bool) -> None:
    if accepted:
        assert parse_temperature(number, highest=highest) == number
    else:
        with pytest.raises(UnitError, match=f"did you mean '{number:g} degF'"):
            parse_temperature(number, highest=highest)


def test_bases_and_upper_thresholds_at_their_limits() -> None:
    for base in (-20.0, 35.0, "-20 degC", "35 degC", "95 degF"):
        check_thresholds(base)
    for base in (-20.01, 35.01, "-20.01 degC", "35.01 degC", "95.02 degF"):
        with pytest.raises(UnitError, match="did you mean"):
            check_thresholds(base)
    for upper in (60.0, "60 degC", "140 degF"):
        check_thresholds(10.0, upper)
    for upper in (60.01, "60.01 degC", "140.02 degF"):
        with pytest.raises(UnitError, match="did you mean"):
            check_thresholds(10.0, upper)
    with pytest.raises(UnitError, match="out of range"):
        HeatSettings(upper="-20 degC")  # type: ignore[arg-type]


@pytest.mark.parametrize("number", [50, 50.0, 88, -40])
def test_a_fahrenheit_number_without_its_unit_is_refused_everywhere(number: float) -> None:
    for call in (lambda: degree_days(10.0, 20.0, base=number), lambda: check_thresholds(number, None)):
        with pytest.raises(UnitError, match="did you mean"):
            call()


@pytest.mark.parametrize(
    ("given", "expected"),
    [("-6.5 degC/km", -6.5), ("-6.5 K/km", -6.5), ("-0.65 degC/100 m", -6.5), (-6.5, -6.5),
     # 1 degF per 1000 ft is 5/9 degC per 304.8 m.
     ("-3.5 degF/1000 ft", -3.5 / 1.8 / 0.3048), ("19.99 degC/km", 19.99)],
)  # fmt: skip
def test_changes_with_height_are_read_with_their_unit(given: str | float, expected: float) -> None:
    assert parse_lapse(given) == pytest.approx(expected)


@pytest.mark.parametrize("given", ["-6.5", "-6.5 degC", "-6.5 degC/mile", "20 degC/km", -20.0, "warm"])
def test_unreadable_changes_with_height_are_refused(given: str | float) -> None:
    with pytest.raises(UnitError):
        parse_lapse(given)


def test_heat_sums_are_read_with_their_unit() -> None:
    assert parse_degree_days("900 degF d") == pytest.approx(500.0)
    assert parse_degree_days(480) == 480.0
    with pytest.raises(UnitError, match="is not a degree-day unit"):
        parse_degree_days("900 degF")
    with pytest.raises(UnitError, match="has no unit"):
        parse_degree_days("900")


def test_labelled_arrays_stay_what_they_are() -> None:
    series = pd.Series([32.0, 50.0], index=["a", "b"])
    assert to_celsius(series, "degF").tolist() == [0.0, 10.0]
    assert list(to_celsius(series, "degF").index) == ["a", "b"]
    array = xr.DataArray(np.array([273.15]), dims="time")
    assert to_celsius(array, "K").dims == ("time",)


def test_shown_with_its_unit() -> None:
    assert format_degree_days(500.0) == "500 °C-days"
    assert format_degree_days(500.04, "degF d", digits=1) == "900.1 °F-days"
