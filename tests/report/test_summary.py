"""The page for growers: its dates are those of the forecast, its words plain, one printed page for each species."""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from phenofit.analysis.results import StudyResult
from phenofit.cli import main
from phenofit.errors import ModelError
from phenofit.forecasting.cautions import CAUTIONS
from phenofit.forecasting.distribution import DateDistribution
from phenofit.forecasting.stage_windows import StageLag, StageWindow
from phenofit.report import write_summary
from phenofit.wording import day
from tests.maps.browser import Browser
from tests.report.conftest import write_study


@pytest.fixture
def page(result: StudyResult, tmp_path: Path) -> Path:
    return write_summary(result, tmp_path / "summary.html", run="abc")


def test_the_dates_are_those_of_the_forecast(result: StudyResult, page: Path) -> None:
    text, forecast = page.read_text("utf-8"), result.species[0].forecast
    assert forecast is not None
    for row in forecast.to_dict("records"):
        assert f"{day(row['median'])} ({day(row['low80'])} to {day(row['high80'])})" in text
    assert text.count("<tr>") == 1 + forecast["site"].nunique()


def test_cautions_origin_and_escaped_names_are_there(page: Path) -> None:
    text = page.read_text("utf-8")
    assert all(caution in text for caution in CAUTIONS)
    assert "Invented data." in text
    assert "<script" not in text
    assert "<b>test" not in text
    assert "Run abc." in text
    assert "past seasons the date for half of the flight was off by" in text


def test_stages_are_dated_with_their_lags(result: StudyResult, tmp_path: Path) -> None:
    species = result.species[0]
    assert species.forecast is not None
    site = str(species.forecast["site"].iloc[0])
    dates = DateDistribution(np.datetime64("2022-01-01"), np.full(10, 180.5))
    lag = StageLag("eggs", "flight_5", 3.0, 1.0, "d", None, "invented")
    known = replace(species, stages=(StageWindow(site, 1, lag, dates),))
    text = write_summary(replace(result, species=(known,)), tmp_path / "s.html").read_text("utf-8")
    assert '<th scope="col">eggs</th>' in text
    assert "30 Jun (30 Jun to 30 Jun)" in text  # day 180 after 1 January
    assert "eggs: 3 ± 1 days after 5 % of the flight (invented)" in text


def test_without_a_forecast_there_is_no_page(result: StudyResult, tmp_path: Path) -> None:
    notes = ("No forecast of the season: too early.",)
    bare = replace(result, species=(replace(result.species[0], forecast=None, notes=notes),))
    with pytest.raises(ModelError, match=r"no forecast of this season.*too early"):
        write_summary(bare, tmp_path / "s.html")
    assert not (tmp_path / "s.html").exists()


@pytest.mark.browser
def test_it_prints_on_one_page(page: Path, chromium: str, tmp_path: Path) -> None:
    with Browser(chromium, tmp_path / "profile") as browser:
        browser.open(page)
        assert browser.complaints() == []
        assert browser.value("document.documentElement.scrollWidth <= innerWidth")
        found = browser.call("Page.printToPDF", preferCSSPageSize=True)
    pdf = base64.b64decode(found["data"])
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf)) == 1


@pytest.mark.slow
def test_the_command_writes_what_was_asked_for(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_study(tmp_path)
    study, out = str(tmp_path / "study.toml"), tmp_path / "out"
    assert main(["report", study, "--summary", "--tables", "tex", "--out", str(out), "--quiet"]) == 0
    written = capsys.readouterr().out
    assert "summary.html" in written
    assert sorted(path.name for path in out.iterdir()) == ["run.json", "summary.html", "tables"]
    assert main(["report", study, "--out", str(out), "--quiet"]) == 0
    assert "removed, from an earlier run:" in capsys.readouterr().out
    assert sorted(path.name for path in out.iterdir()) == ["figures", "report.html", "run.json"]


def test_an_unknown_form_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["report", str(tmp_path / "study.toml"), "--tables", "doc"]) == 2
    assert "md, tex, csv" in capsys.readouterr().err.replace("'", "")
