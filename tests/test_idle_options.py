"""An option that would have no effect, or that is malformed, is refused with its name before anything is computed."""

from __future__ import annotations

from pathlib import Path

import pytest

from phenofit.cli.dispatch import main
from tests.validate.study_files import write_study

STAGES = "stage,after,lag,spread,unit,base,source\neggs,flight_50,4,1,d,,invented\nlarvae,flight_50,60,10,degC d,10 degC,invented\n"


@pytest.fixture
def study(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A study whose fit must not be reached."""

    def reached(*_: object, **__: object) -> None:
        raise AssertionError("something was computed")

    monkeypatch.setattr("phenofit.flight.fit.fit_data", reached)
    monkeypatch.setattr("phenofit.maps.surface.error_map", reached)
    (tmp_path / "stages.csv").write_text(STAGES, encoding="utf-8")
    return write_study(tmp_path)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--treat", "2017-06-01:2017-06-07"], "--treat needs the table of stages: --stages FILE"),
        (["--treat", "nonsense"], "--treat 'nonsense' is not an interval"),
        (["--treat", "2017-06-07:2017-06-01", "--stages", "STAGES"], "ends before it begins"),
        (["--treat", "2017-06-01", "--stages", "STAGES"], "is not an interval"),
        (["--treat", "2017-13-01:2017-13-02", "--stages", "STAGES"], "is not an interval"),
        (["--treat-stage", "larvae"], "--treat-stage needs the table of stages"),
        (["--treat-stage", "larvae", "--stages", "STAGES"], "--treat-stage has no effect without --treat"),
        (["--treat", "2017-06-01:2017-06-07", "--stages", "STAGES"], "--treat needs a stage of the table"),
        (
            ["--treat", "2017-06-01:2017-06-07", "--treat-stage", "larva", "--stages", "STAGES"],
            "Did you mean 'larvae'",
        ),
        (["--stages", "nowhere.csv"], "nowhere.csv: the file does not exist"),
        (["--fit", "nowhere.json"], "nowhere.json: the file does not exist"),
        (["--weeks", "0"], "--weeks 0: write 1 or more"),
        (["--today", "soon"], "--today 'soon' is not a date"),
        (["--site", "nowhere"], "there is no site 'nowhere'"),
        (["--events", "flight_50", "flight_60"], "flight_60"),
    ],
)
def test_forecast_refuses_them(
    options: list[str], says: str, study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stages = str(study.parent / "stages.csv")
    call = (
        ["forecast", str(study), "--today", "2017-06-01"]
        if "--today" not in options
        else ["forecast", str(study)]
    )
    assert main([*call, *(stages if o == "STAGES" else o for o in options)]) == 2
    assert says in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--dates", "--forecaster", "calendar mean"], "--forecaster has no effect with --dates"),
        (["--dates", "--scheme", "site"], "--scheme has no effect with --dates"),
        (["--dates", "--lead-days", "7"], "--lead-days has no effect with --dates"),
        (["--dates", "--drift", "latitude"], "--drift has no effect with --dates"),
        (["--season", "2017"], "--season goes with --dates"),
        (["--fit", "fit.json"], "--fit goes with --dates"),
    ],
)
def test_map_refuses_them(
    options: list[str], says: str, study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["map", str(study), "--out", str(study.parent / "out"), *options]) == 2
    assert says in capsys.readouterr().err


@pytest.mark.parametrize("option", ["--weather", "--stations", "--unit"])
def test_plan_refuses_weather_beside_a_study(
    option: str, study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["plan", str(study), "--out", str(study.parent / "out"), option, "degC"]) == 2
    assert f"{option} was given with a study" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--lead-days", "-1"], "lead"),
        (["--leave-out", "moon"], "moon"),
        (["--older", "least guess"], "there is no older rule 'least guess'"),
        (["--events", "flight_60"], "flight_60"),
        (["--species", "nobody"], "nobody"),
    ],
)
def test_validate_refuses_them(
    options: list[str], says: str, study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["validate", str(study), "--out", str(study.parent / "out"), *options]) == 2
    assert says in capsys.readouterr().err


@pytest.mark.parametrize("count", ["-1", "0.5"])
def test_plan_refuses_a_number_of_simulations_that_is_none(
    count: str, study: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["plan", str(study), "--out", str(study.parent / "out"), "--simulate", count]) == 2
    assert "simulat" in capsys.readouterr().err
