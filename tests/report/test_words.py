"""Numbers, dates and intervals in words."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from phenofit import wording
from phenofit.report import words


def test_degree_days_and_temperatures_convert_differently() -> None:
    # 1 degC d = 1.8 degF d, without the offset of 32 that a temperature has (definition of the scales).
    assert words.amount(500.0) == "500 °C-days (900 °F-days)"
    assert words.temperature(10.0) == "10.0 °C (50.0 °F)"
    assert words.temperature(-5.0) == "−5.0 °C (23.0 °F)"


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (1.0, 2.0, "1.0 to 2.0 °C"),
        (None, 2.0, "up to 2.0 °C, open below"),
        (1.0, float("nan"), "from 1.0 °C, open above"),
        (None, None, "open on both sides"),
        (-2.0, 0.04, "−2.0 to 0.0 °C"),
    ],
)
def test_open_ends_are_said_in_words(low: float | None, high: float | None, said: str) -> None:
    assert words.interval(low, high, "°C") == said


def test_zero_has_no_sign() -> None:
    assert wording.number(-0.04) == "0.0"


def test_dates_and_spans() -> None:
    assert wording.day(np.datetime64("2024-02-29T12:00")) == "29 Feb"
    assert wording.day(pd.NaT) == ""
    assert words.period(pd.Timestamp("2024-06-01"), pd.NaT) == "1 Jun to past the season"
    assert words.period(pd.NaT, pd.NaT) == "not this season"
    assert wording.start_words("12-01") == "1 December"
    assert wording.start_words("biofix") == "the biofix"


def test_forecasters_and_parameters_have_plain_names() -> None:
    assert (
        wording.forecaster_words("published base, refitted: row 7")
        == "published base, requirement refitted (row 7)"
    )
    assert words.parameter_words("base") == "base temperature"
    assert words.parameter_words("requirement", 1, 1).endswith("half of the flight")
    assert words.parameter_words("requirement", 2, 2).endswith("flight 2")
    assert words.parameter_words("effect elevation_m") == "effect elevation m"


def test_every_scheme_of_validation_is_said_in_words() -> None:
    from phenofit.validate.schemes import SCHEMES

    begins = {words.scheme_words(scheme)[1] for scheme in SCHEMES}
    assert len(begins) == len(SCHEMES)
    assert not any(text.startswith("Held out by") for text in begins)
