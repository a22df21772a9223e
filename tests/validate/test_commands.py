"""The commands compare, validate, forecast, local and thresholds, called as a user calls them."""

from __future__ import annotations

import csv
from pathlib import Path

import icalendar
import pandas as pd
import pytest

from phenofit.analysis.outputs import SCORE_FILE_COLUMNS
from phenofit.cli import main
from phenofit.forecasting.cautions import CAUTIONS
from phenofit.validate import PUBLISHED_COLUMNS, VALIDATION_COLUMNS, read_published
from tests.validate.study_files import NORMAL, write_study


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_study(tmp_path_factory.mktemp("study"), more=NORMAL)


@pytest.fixture(scope="module")
def fit_file(study: Path) -> Path:
    from phenofit.analysis.species_work import SpeciesWork
    from phenofit.study import load_study, read_inputs

    loaded = load_study(study)
    inputs = read_inputs(loaded)
    name = loaded.species[0]
    path = study.parent / "fit.json"
    SpeciesWork.of(loaded, inputs, name).fit().to_json(path)
    return path


def test_thresholds_lists_and_filters(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    table = tmp_path / "rows.csv"
    assert main(["thresholds", "--species", "striacosta", "--usable", "--csv", str(table)]) == 0
    out = capsys.readouterr().out
    assert "western-bean-cutworm_flight-25_1_iowa_50F" in out
    assert (
        "733 °C-days (1319 °F-days) above 10.0 °C (50.0 °F), simple average, no upper threshold, from 05-01"
        in out
    )
    assert "of 243 rows" in out
    with table.open(encoding="utf-8") as stream:
        assert next(csv.reader(stream)) == list(PUBLISHED_COLUMNS)
    again = read_published(table)
    assert {row.species for row in again} == {"western bean cutworm"}
    assert main(["thresholds", "--table", str(table), "--event", "flight_75"]) == 0
    assert "1 of " in capsys.readouterr().out


def test_thresholds_tells_why_a_row_cannot_be_tested(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["thresholds", "--species", "pink bollworm"]) == 0
    out = capsys.readouterr().out
    assert "cannot be tested: the printed amount is in doubt" in out
    assert main(["thresholds", "--event", "halfway"]) == 2
    assert "no flight event 'halfway'" in capsys.readouterr().err


def test_compare_gives_its_verdict_in_words(
    study: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    far = "western-bean-cutworm_flight-50_1_nebraska_50F"
    assert main(["compare", str(study), "--quick", "--id", far, "--out", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert "near: For half of the flight the published 450 °C-days (810 °F-days)" in out
    assert f"{far}: For half of the flight" in out
    rows = pd.read_csv(tmp_path / "comparisons.csv").set_index("id")
    assert rows.loc["near", "verdict"] in ("consistent", "cannot tell")
    assert rows.loc[far, "verdict"] == "not consistent"
    assert (rows["amount_unit"] == "degC d").all()


def test_validate_writes_both_tables(study: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    call = ["validate", str(study), "--out", str(tmp_path), "--events", "flight_50", "--quiet"]
    assert main(call) == 0
    out = capsys.readouterr().out
    assert "errors in days, positive: forecast late" in out
    assert "drift, flight 1, flight_50" in out
    table = pd.read_csv(tmp_path / "validation.csv")
    assert tuple(table.columns[: len(VALIDATION_COLUMNS)]) == VALIDATION_COLUMNS
    assert table["invented"].all()
    assert {"fitted", "calendar mean", "published:near"} <= set(table["forecaster"])
    scores = pd.read_csv(tmp_path / "scores.csv")
    assert tuple(scores.columns) == SCORE_FILE_COLUMNS
    assert set(scores["note"]) == {"invented data"}
    first = (tmp_path / "validation.csv").read_bytes()
    assert main(call) == 0
    assert (tmp_path / "validation.csv").read_bytes() == first


def test_validate_refuses_an_unknown_scheme(
    study: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert main(["validate", str(study), "--out", str(tmp_path), "--leave-out", "yaer", "--quiet"]) == 2
    assert "Did you mean 'year'?" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_forecast_writes_its_tables_and_calendar(
    study: Path, fit_file: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    lags = tmp_path / "lags.csv"
    lags.write_text(
        "stage,after,lag,spread,unit,source\negg hatch,flight_5,14,2,d,invented\n", encoding="utf-8"
    )
    call = ["forecast", str(study), "--fit", str(fit_file), "--today", "2017-05-20", "--site", "T01"]
    more = ["--stages", str(lags), "--treat", "2017-06-15:2017-06-21", "--treat-stage", "egg hatch"]
    assert main([*call, *more, "--out", str(tmp_path / "out")]) == 0
    out = capsys.readouterr().out
    assert (
        "invented borer, season 2017, issued 2017-05-20 (invented data); heat sums: single sine, base" in out
    )
    assert "  T01   half of the flight  " in out
    assert "the intervals given cover" in out
    for caution in CAUTIONS:
        assert caution in out
    table = pd.read_csv(tmp_path / "out" / "forecast.csv")
    assert set(table["site"]) == {"T01"}
    assert table["invented"].all()
    weeks = pd.read_csv(tmp_path / "out" / "forecast-weeks.csv")
    assert len(weeks) == 3 * 8
    assert (tmp_path / "out" / "figures" / "season-invented-borer-t01-s1.png").stat().st_size > 5000
    stages = pd.read_csv(tmp_path / "out" / "stages.csv")
    assert "label is the law" in stages["caution"].iloc[0]
    text = (tmp_path / "out" / "forecast-invented-borer.ics").read_text(encoding="utf-8")
    assert len(icalendar.Calendar.from_ical(text).walk("VEVENT")) == 3
    assert "Invented data." in str(icalendar.Calendar.from_ical(text).walk("VEVENT")[0]["DESCRIPTION"])


def test_forecast_of_a_place_outside_of_the_network(
    study: Path, fit_file: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    rows = pd.read_csv(study.parent / "stations.csv").to_dict("records")
    latitude, longitude = next((row["latitude"], row["longitude"]) for row in rows if row["station"] == "S1")
    at = f"{latitude:.4f}N,{-longitude:.4f}W"
    call = ["forecast", str(study), "--fit", str(fit_file), "--today", "2017-05-20", "--at", at]
    assert main([*call, "--height", "450", "--events", "10 %", "end", "--out", str(tmp_path / "out")]) == 0
    out = capsys.readouterr().out
    assert "is outside of the network: weather of station S1, 0.0 km away" in out
    assert "10 % of the flight" in out
    table = pd.read_csv(tmp_path / "out" / "forecast.csv")
    assert table["event"].tolist() == ["flight_10", "end"]
    for column in ("issued", "known_until", "median", "low95", "high95"):
        assert table[column].str.fullmatch(r"\d{4}-\d{2}-\d{2}").all(), column
    assert main([*call, "--site", "T01"]) == 2
    assert "--site has no effect with --at" in capsys.readouterr().err
    assert main(["forecast", str(study), "--fit", str(fit_file), "--height", "3"]) == 2
    assert "--height has no effect without --at" in capsys.readouterr().err
    weather = ["--weather", str(study.parent / "weather.csv"), "--unit", "degC"]
    assert main(["local", str(fit_file), *weather, "--at", at, "--today", "2017-05-20"]) == 2
    assert "no station has both a position and data" in capsys.readouterr().err
    places = ["--stations", str(study.parent / "stations.csv")]
    assert main(["local", str(fit_file), *weather, *places, "--at", at, "--today", "2017-05-20"]) == 0
    assert "weather of station S1, 0.0 km away" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--today", "20 May"], "--today '20 May' is not a date"),
        (["--today", "2017-05-20", "--site", "T9"], "no site 'T9'; there are T00, T01, T02, T03, T04."),
        (["--today", "2017-12-20"], "outside the season"),
        (["--today", "2017-05-20", "--events", "flight_151"], "no flight event 'flight_151'"),
    ],
)
def test_forecast_refuses_in_one_line(
    study: Path, fit_file: Path, arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["forecast", str(study), "--fit", str(fit_file), *arguments]) == 2
    error = capsys.readouterr().err
    assert message in error
    assert "Traceback" not in error


def test_local_tells_an_agent_how_right_it_was(
    study: Path, fit_file: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    weather = ["--weather", str(study.parent / "weather.csv"), "--unit", "degC", "--station", "S1"]
    saw = ["--saw", "2016-06-03=0", "2016-06-10=2", "2016-06-17=9", "2017-06-20=5", "2017-06-30=1"]
    assert (
        main(["local", str(fit_file), *weather, *saw, "--today", "2017-05-20", "--out", str(tmp_path)]) == 0
    )
    out = capsys.readouterr().out
    assert "2016: half of 11 moths was caught by 13 June (between 10 June and 17 June), " in out
    assert "2017: half of 6 moths was caught by " in out
    assert "All together (2 seasons with moths)" in out
    assert "  this place  half of the flight  " in out
    assert len(pd.read_csv(tmp_path / "local.csv")) == 2
    assert main(["local", str(fit_file), *weather[:4], *saw]) == 2
    assert "name one with --station" in capsys.readouterr().err
    assert main(["local", str(fit_file), *weather, "--saw", "yesterday=2"]) == 2
    assert "'yesterday=2' is not a record" in capsys.readouterr().err
    capsys.readouterr()
    assert main(["local", str(fit_file), *weather]) == 0
    assert capsys.readouterr().out.startswith("No records were given: this is the forecast for the place")
    assert main(["local", str(fit_file), *weather, *saw, "--records", "looks.csv"]) == 2
    assert "either as a table" in capsys.readouterr().err
