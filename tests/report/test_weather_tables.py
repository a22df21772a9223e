"""What the page says of the weather: its source, doubted days, the error of filled days."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenofit.analysis.filling_estimate import filling_sentence
from phenofit.analysis.results import StudyResult
from phenofit.report import render_report
from phenofit.report.weather_tables import fetched_table, flags_table
from phenofit.weather import check_weather, fill_weather, new_dataset


def _weather() -> object:
    days = np.arange("2020-01-01", "2022-01-01", dtype="datetime64[D]")
    course = 12.0 - 10.0 * np.cos(2 * np.pi * np.arange(len(days)) / 365.25)
    course = course + np.random.default_rng(1).normal(0.0, 1.5, len(days))
    stations = pd.DataFrame({"station": ["A", "B"], "latitude": [41.0, 41.1], "longitude": [-97.0, -97.1]})
    low = np.vstack([course - 5, course - 4.6])
    high = np.vstack([course + 5, course + 5.4])
    high[0, 200] = 75.0
    low[1, 300:303] = np.nan
    return new_dataset(stations, days, low, high)


def test_doubted_days_are_counted_by_name() -> None:
    checked = check_weather(_weather())  # type: ignore[arg-type]
    table = flags_table(checked)
    assert table is not None
    assert table.columns == ("station", "incomplete day [days]", "spike [days]")
    # One planted spike at A; three days without a minimum at B.
    assert table.rows == (("A", "1", "1"), ("B", "3", "0"))


def test_clean_weather_has_no_table_of_doubts() -> None:
    days = np.arange("2020-01-01", "2020-02-01", dtype="datetime64[D]")
    course = np.random.default_rng(2).normal(8.0, 2.0, len(days))[None, :]
    stations = pd.DataFrame({"station": ["A"], "latitude": [41.0], "longitude": [-97.0]})
    clean = new_dataset(stations, days, course - 5, course + 5)
    assert flags_table(clean) is None
    assert fetched_table(clean) is None


@pytest.mark.usefixtures("words_only")
def test_the_page_says_source_licence_and_filling(result: StudyResult, tmp_path: Path) -> None:
    weather = result.inputs.weather.assign_attrs(attribution="Data <b>by</b> X", license="CC BY 4.0")
    weather = weather.assign_attrs(result.inputs.weather.attrs | weather.attrs)
    told = replace(result, inputs=replace(result.inputs, weather=weather), filling="Of 40 known days.")
    page = render_report(told, tmp_path).read_text(encoding="utf-8")
    assert "Data &lt;b&gt;by&lt;/b&gt; X" in page
    assert "CC BY 4.0" in page
    assert "Of 40 known days." in page


def test_the_error_of_filled_days_is_a_sentence_with_units(result: StudyResult) -> None:
    study = result.study
    filling = study.model_copy(
        update={"weather": study.weather.model_copy(update={"fill": ("interpolation",), "max_gap_days": 3})}
    )
    assert filling_sentence(filling, result.inputs, result.species) == ""  # nothing was filled
    weather = result.inputs.weather.copy(deep=True)
    weather["tmin"][0, 150:152] = np.nan
    weather["source"][0, 150:152] = 0
    filled = fill_weather(weather, methods=("interpolation",), max_gap_days=3)
    text = filling_sentence(filling, replace(result.inputs, weather=filled), result.species)
    assert "known days" in text
    assert "°C" in text
    assert "°C-days" in text
    assert "single sine" in text
