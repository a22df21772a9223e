"""Every option has an effect or is refused with the reason; nothing is computed before the call and its inputs are sound."""

from __future__ import annotations

import argparse
import importlib
import shlex
from pathlib import Path

import pytest

from phenofit.cli import main
from phenofit.cli.command_list import COMMANDS
from phenofit.errors import ModelError
from phenofit.files import file_hash
from tests.validate.study_files import NORMAL, write_study

# Where each command begins to compute: replaced by a fault, so that a test that reaches one ends with exit code 1.
COMPUTING = (
    "phenofit.analysis.species_work.fit_flights",
    "phenofit.analysis.species_work.cross_validate",
    "phenofit.analysis.species_work.compare_published",
    "phenofit.forecasting.forecast",
    "phenofit.forecasting.local.local_check.local_check",
    "phenofit.maps.error_surface.error_map",
    "phenofit.maps.date_map.date_map",
    "phenofit.plan.plan_network",
    "phenofit.weather.fetch_weather",
    "phenofit.heat.degree_days",
    "phenofit.heat.grids.heat_maps",
    "phenofit.heat.grids.running_maps",
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study with two fits of it, tables of other kinds, and files that are broken."""
    from phenofit.analysis.species_work import SpeciesWork
    from phenofit.study import load_study, read_inputs

    path = tmp_path_factory.mktemp("study")
    study = load_study(write_study(path, more=NORMAL))
    inputs = read_inputs(study)
    name = study.species[0]
    SpeciesWork.of(study, inputs, name).fit().to_json(path / "fit.json")
    (path / "other.json").write_text(
        (path / "fit.json").read_text("utf-8").replace('"invented borer"', '"other moth"'), "utf-8"
    )
    (path / "lags.csv").write_text("stage,after,lag,spread,unit\negg hatch,flight_5,14,2,d\n", "utf-8")
    (path / "records.csv").write_text("date,count\n2016-06-10,2\n", "utf-8")
    (path / "broken").write_text("{", "utf-8")
    inputs.weather.to_netcdf(path / "weather.nc")
    (path / "service.toml").write_text(
        (path / "study.toml").read_text("utf-8").replace(
            'files = ["weather.csv"]\nstations = "stations.csv"\nunit = "degC"\n',
            'service = "meteostat"\nyears = [2016, 2017]\n',
        ),
        "utf-8",
    )  # fmt: skip
    return path


@pytest.fixture
def no_computing(monkeypatch: pytest.MonkeyPatch) -> None:
    def reached(*_: object, **__: object) -> None:
        raise AssertionError("the command has begun to compute")

    for place in COMPUTING:
        module, _, name = place.rpartition(".")
        monkeypatch.setattr(importlib.import_module(module), name, reached)


def words(call: str, folder: Path) -> list[str]:
    """Return a call as arguments: `DIR/` is the folder, `+` is a blank within an argument."""
    return [word.replace("DIR", str(folder)).replace("+", " ") for word in call.split()]


LOCAL = "local DIR/fit.json --weather DIR/weather.csv --unit degC --station S1 --saw 2016-06-10=2"
TREAT = "forecast DIR/study.toml --stages DIR/lags.csv --treat-stage egg+hatch --treat"
GRID = "heat DIR/weather.nc --base 10C --out DIR/sums.nc"
TABLE = "heat DIR/weather.csv --base 10C --unit degC --out DIR/sums.csv"


@pytest.mark.usefixtures("no_computing")
@pytest.mark.parametrize(
    ("call", "message"),
    [
        # forecast
        ("forecast DIR/study.toml --treat 2017-06-15:2017-06-21", "--treat has no effect without --stages"),
        ("forecast DIR/study.toml --treat-stage egg", "--treat-stage has no effect without --treat"),
        ("forecast DIR/study.toml --stages DIR/lags.csv --treat-stage egg+hatch",
         "--treat-stage has no effect without --treat"),
        ("forecast DIR/study.toml --stages DIR/lags.csv --treat 2017-06-15:2017-06-21",
         "--treat needs a stage of the table (--treat-stage); there are egg hatch"),
        ("forecast DIR/study.toml --stages DIR/lags.csv --treat-stage egg+hatsh --treat 2017-06-15:2017-06-21",
         "Did you mean 'egg hatch'?"),
        (f"{TREAT} 2017-06-21:2017-06-15",
         "--treat '2017-06-21:2017-06-15' ends before it begins"),
        (f"{TREAT} 2017-06-21",
         "--treat '2017-06-21' is not an interval; write first:last"),
        (f"{TREAT} 2017-06:2017-07",
         "--treat '2017-06:2017-07' is not an interval"),
        (f"{TREAT} 2016-06-15:2016-06-21 --today 2017-05-20", "has no effect: it lies outside of the season 2017"),
        ("forecast DIR/study.toml --weeks 4", "--weeks has no effect without --out"),
        ("forecast DIR/study.toml --weeks 0 --out DIR/o", "'0' is not a whole number from 1 up"),
        ("forecast DIR/study.toml --events flight_5 flight_5", "--events: 'flight_5' is given twice"),
        ("forecast DIR/study.toml --events flight_151", "no flight event 'flight_151'"),
        ("forecast DIR/study.toml --site T01 --site T01", "--site: 'T01' is given twice"),
        ("forecast DIR/study.toml --site T99", "there is no site 'T99'"),
        ("forecast DIR/study.toml --today 20170520x", "--today '20170520x' is not a date"),
        ("forecast DIR/study.toml --stages DIR/none.csv", "none.csv"),
        ("forecast DIR/study.toml --fit DIR/broken", "broken"),
        ("forecast DIR/study.toml --fit DIR/other.json", "the fit is of 'other moth', not of 'invented borer'"),
        # validate
        ("validate DIR/study.toml --out DIR/o --leave-out yaer", "Did you mean 'year'?"),
        ("validate DIR/study.toml --out DIR/o --leave-out year --leave-out year", "'year' is given twice"),
        ("validate DIR/study.toml --out DIR/o --leave-out year --leave-out yaer", "no scheme 'yaer'"),
        ("validate DIR/study.toml --out DIR/o --events flight_151", "no flight event 'flight_151'"),
        ("validate DIR/study.toml --out DIR/o --older newest", "no older rule 'newest'"),
        ("validate DIR/study.toml --out DIR/o --lead-days 7 7", "--lead-days: '7' is given twice"),
        ("validate DIR/study.toml --out DIR/o --lead-days -1", "whole number from 0 up"),
        ("validate DIR/study.toml --out DIR/o --lead-days 366", "more than 365 days ahead"),
        # compare
        ("compare DIR/study.toml --id nothing", "no published threshold 'nothing'"),
        (f"compare DIR/study.toml{2 * ' --id western-bean-cutworm_flight-50_1_nebraska_50F'}", "is given twice"),
        # local
        (f"{LOCAL} --covariates kind=x", "--covariates: there is no covariate of the fit 'kind'"),
        (f"{LOCAL} --covariates kind", "--covariates takes COLUMN=VALUE, not 'kind'"),
        (f"{LOCAL} --flight 2", "--flight 2: the fit has 1 flight(s)"),
        (f"{LOCAL} --flight 0", "'0' is not a whole number from 1 up"),
        (f"{LOCAL} --records DIR/records.csv", "give the records either as a table"),
        (f"{LOCAL} --today yesterday", "--today 'yesterday' is not a date"),
        ("local DIR/fit.json --weather DIR/weather.nc --station S1 --unit degC --saw 2016-06-10=2",
         "--unit has no effect on NetCDF files"),
        ("local DIR/fit.json --weather DIR/weather.nc --station S1 --dates year-first --saw 2016-06-10=2",
         "--dates has no effect without a text table"),
        (f"{LOCAL} --station S99", "S99"),
        ("local DIR/broken --weather DIR/weather.csv --unit degC --station S1 --saw 2016-06-10=2", "broken"),
        # map
        ("map DIR/study.toml --out DIR/o --fit DIR/fit.json", "--fit has no effect without --dates"),
        ("map DIR/study.toml --out DIR/o --season 2016", "--season has no effect without --dates"),
        ("map DIR/study.toml --out DIR/o --dates --forecaster fitted", "--forecaster has no effect with --dates"),
        ("map DIR/study.toml --out DIR/o --dates --scheme year", "--scheme has no effect with --dates"),
        ("map DIR/study.toml --out DIR/o --dates --lead-days 7", "--lead-days has no effect with --dates"),
        ("map DIR/study.toml --out DIR/o --dates --drift latitude", "--drift has no effect with --dates"),
        ("map DIR/validation.csv --out DIR/o --elevation DIR/weather.nc",
         "--elevation has no effect on a map of errors without --drift elevation"),
        ("map DIR/validation.csv --out DIR/o --drift height", "no drift 'height'"),
        ("map DIR/validation.csv --out DIR/o --drift latitude latitude", "'latitude' is given twice"),
        ("map DIR/validation.csv --out DIR/o --cell-km 0", "'0' is not a number above 0"),
        ("map DIR/validation.csv --out DIR/o --margin-km nan", "'nan' is not a number above 0"),
        ("map DIR/validation.csv --out DIR/o --flight 0", "whole number from 1 up"),
        ("map DIR/validation.csv --out DIR/o --region DIR/broken", "broken: this is not JSON"),
        ("map DIR/validation.csv --out DIR/o --outlines DIR/broken", "broken: this is not JSON"),
        ("map DIR/study.toml --out DIR/o --dates --fit DIR/fit.json --elevation DIR/broken", "not a NetCDF file"),
        ("map DIR/study.toml --out DIR/o --dates --fit DIR/other.json", "the fit is of 'other moth'"),
        ("map DIR/validation.csv --out DIR/o --dates", "--dates needs a study file"),
        # plan
        ("plan DIR/fit.json --out DIR/o --species moth", "--species has no effect with a fit file"),
        ("plan DIR/study.toml --out DIR/o --weather DIR/weather.csv", "--weather has no effect with a study"),
        ("plan DIR/study.toml --out DIR/o --stations DIR/stations.csv", "--stations has no effect with a study"),
        ("plan DIR/study.toml --out DIR/o --unit degC", "--unit has no effect with a study"),
        ("plan DIR/fit.json --out DIR/o --weather DIR/weather.nc --unit degC", "--unit has no effect on NetCDF"),
        ("plan DIR/fit.json --out DIR/o --weather DIR/weather.csv --unit degC --stations DIR/none.csv", "none.csv"),
        ("plan DIR/study.toml --out DIR/o --sites 4,4", "--sites: '4' is given twice"),
        ("plan DIR/study.toml --out DIR/o --checks-per-week 9", "9 checks a week cannot be planned"),
        ("plan DIR/study.toml --out DIR/o --sites 1 --years 1", "one site in one year fixes nothing"),
        ("plan DIR/study.toml --out DIR/o --simulate -1", "whole number from 0 up"),
        ("plan DIR/study.toml --out DIR/o --workers 0", "whole number from 1 up"),
        ("plan DIR/study.toml --out DIR/o --workers 2 --scheduler here", "--workers has no effect with --scheduler"),
        # heat
        (f"{TABLE} --cutoff vertical", "--cutoff has no effect without --upper"),
        (f"{TABLE} --amounts 900", "'900' has no unit; write '900 degC d' or '900 degF d', or name the unit"),
        (f"{TABLE} --amounts 900 900 --show degC+d", "is given twice"),
        (f"{TABLE} --upper 88", "'88' has no unit; write '88 degF' or '88 degC'"),
        (f"{TABLE} --upper 88C", "did you mean '88 degF'"),
        (f"{TABLE} --columns tmin=a tmin=b", "--columns: 'tmin' is given twice"),
        (f"{TABLE} --station S99", "--station: there is no station 'S99'"),
        (f"{TABLE} --scheduler here", "--every-day and --scheduler are for grids"),
        ("heat DIR/weather.csv --base 50 --unit degC --out DIR/sums.csv",
         "'50' has no unit; write '50 degF' or '50 degC'"),
        (f"{GRID} --unit degC", "--unit has no effect on a grid"),
        (f"{GRID} --dates year-first", "--dates has no effect on a grid"),
        (f"{GRID} --station S1", "--station has no effect on a grid"),
        (f"{GRID} --cutoff horizontal", "--cutoff has no effect without --upper"),
        # the rest
        ("fetch DIR/service.toml --today soon", "--today 'soon' is not a date"),
        ("demo --copy-only --quiet --out DIR/o", "--quiet has no effect with --copy-only"),
    ],
)  # fmt: skip
def test_options_without_effect_and_malformed_ones_are_refused_before_anything_is_computed(
    call: str, message: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    validation = folder / "validation.csv"
    validation.write_text("", "utf-8")
    assert main(words(call, folder)) == 2
    error = capsys.readouterr().err
    assert message in error
    assert not (folder / "o").exists()


@pytest.mark.usefixtures("no_computing")
@pytest.mark.parametrize("name", ["truth", "elevation"])
def test_a_run_reads_every_file_of_the_study_before_it_computes(
    name: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (folder / "study.toml").read_text("utf-8")
    if name == "truth":
        text = text.replace("invented = true", 'invented = true\ntruth = "broken"')
    else:
        text += '\n[map]\ndrift = "elevation"\nelevation = "broken"\n'
    (folder / "more.toml").write_text(text, "utf-8")
    assert main(["run", str(folder / "more.toml"), "--quiet", "--out", str(folder / "o")]) == 2
    assert "broken" in capsys.readouterr().err
    assert not (folder / "o").exists()


@pytest.mark.usefixtures("no_computing")
def test_the_second_species_is_read_before_the_first_is_fitted(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    catches = (folder / "catches.csv").read_text("utf-8").splitlines()
    rows = [catches[0] + ",species", *(row + ",invented borer" for row in catches[1:])]
    rows.append("T01,2016-05-01,2016-05-02,,late moth")
    (folder / "two.csv").write_text("\n".join(rows) + "\n", "utf-8")
    text = (folder / "study.toml").read_text("utf-8").replace("catches.csv", "two.csv")
    text = text.replace('species = "invented borer"', 'species = ["invented borer", "late moth"]', 1)
    (folder / "two.toml").write_text(text, "utf-8")
    assert main(["fit", str(folder / "two.toml")]) == 2
    assert "late moth" in capsys.readouterr().err


FOLDERS = {
    "fit": "fit DIR/study.toml --out OUT",
    "compare": "compare DIR/study.toml --out OUT",
    "validate": "validate DIR/study.toml --quiet --out OUT",
    "forecast": "forecast DIR/study.toml --out OUT",
    "local": f"{LOCAL} --out OUT",
    "map": "map DIR/validation.csv --out OUT",
    "map --dates": "map DIR/study.toml --dates --fit DIR/fit.json --out OUT",
    "plan": "plan DIR/study.toml --out OUT",
    "run": "run DIR/study.toml --quiet --out OUT",
    "demo": "demo --quiet --out OUT",
    "report": "report DIR/study.toml --summary --quiet --out OUT",
}
FILES = {
    "heat": "heat DIR/weather.csv --base 10C --unit degC --out OUT/sums.csv",
    "thresholds": "thresholds --csv OUT/rows.csv",
    "fetch": "fetch DIR/service.toml --quiet --out OUT/series.nc",
    "init": "init DIR/catches.csv --out OUT",
    "page": "page DIR/study.toml --quiet --out OUT/field.html",
}
NO_OUTPUT = {"check", "completion"}


def test_the_tables_of_these_tests_hold_every_command() -> None:
    assert {name.split()[0] for name in (*FOLDERS, *FILES)} | NO_OUTPUT == set(COMMANDS)


@pytest.mark.usefixtures("no_computing")
@pytest.mark.parametrize("name", [*FOLDERS, *FILES])
@pytest.mark.parametrize("place", ["a file", "below a file"])
def test_an_output_that_cannot_be_is_noticed_before_anything_is_computed(
    name: str, place: str, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "thesis.txt").write_text("of the user")
    out = tmp_path / "thesis.txt" / ("" if place == "a file" else "new/deep")
    call = (FOLDERS | FILES)[name].replace("OUT", str(out))
    assert main(words(call, folder)) == 2
    error = capsys.readouterr().err
    assert "thesis.txt" in error
    assert error.count("\n") == 1
    assert [p.name for p in tmp_path.iterdir()] == ["thesis.txt"]
    assert (tmp_path / "thesis.txt").read_text() == "of the user"


@pytest.mark.usefixtures("no_computing")
@pytest.mark.parametrize("name", [*FOLDERS, *FILES])
def test_an_output_without_permission_is_noticed_before_anything_is_computed(
    name: str,
    folder: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    # The administrator may write everywhere, so the refusal of the system is set up here.
    def denied(self: Path, *_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "mkdir", denied)
    call = (FOLDERS | FILES)[name].replace("OUT", str(tmp_path / "locked"))
    assert main(words(call, folder)) == 2
    error = capsys.readouterr().err
    assert "Permission denied" in error
    assert str(tmp_path / "locked") in error
    assert error.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("no_computing")
@pytest.mark.parametrize("name", sorted(set(FOLDERS) - {"demo"}))
def test_a_folder_in_use_is_refused_before_anything_is_computed(
    name: str, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from phenofit.output_folder import run_folder

    call = FOLDERS[name].replace("OUT", str(tmp_path / "out"))
    with run_folder(tmp_path / "out", "fit", files=()):
        assert main(words(call, folder)) == 2
        assert "another run of phenofit is writing into this folder" in capsys.readouterr().err


def test_every_table_names_its_run_and_the_same_call_gives_the_same_bytes(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import json

    import pandas as pd

    call = "forecast DIR/study.toml --fit DIR/fit.json --today 2017-05-20 --site T01 --stages DIR/lags.csv"
    runs = []
    for name, more in (("one", ""), ("two", ""), ("other", " --events flight_50")):
        out = tmp_path / name
        assert main([*words(call + more, folder), "--out", str(out)]) == 0
        manifest = json.loads((out / "run.json").read_text("utf-8"))
        runs.append(manifest["run"])
        assert manifest["complete"] is True
        assert manifest["files"] == {
            p.relative_to(out).as_posix(): file_hash(p)
            for p in out.rglob("*")
            if p.is_file() and p.name != "run.json"
        }
        for table in ("forecast.csv", "forecast-weeks.csv", "stages.csv"):
            rows = pd.read_csv(out / table, dtype={"run": str})
            assert list(rows.columns)[-1] == "run"
            assert set(rows["run"]) == {manifest["run"]}
        calendar = (out / "forecast-invented-borer.ics").read_text("utf-8")
        assert manifest["run"] in calendar.replace("\n ", "").replace("\r", "")
    assert (tmp_path / "one" / "run.json").read_bytes() == (tmp_path / "two" / "run.json").read_bytes()
    assert runs[0] != runs[2]
    out = tmp_path / "fit"
    assert main(["fit", str(folder / "study.toml"), "--out", str(out)]) == 0
    run = json.loads((out / "run.json").read_text("utf-8"))["run"]
    assert json.loads((out / "fit-invented-borer.json").read_text("utf-8"))["provenance"]["run"] == run
    assert set(pd.read_csv(out / "flights.csv", dtype={"run": str})["run"]) == {run}
    capsys.readouterr()


# A fit in a process of its own that says when it has written its first file, then waits to be killed.
CHILD = """
import sys
import phenofit.analysis.outputs
from phenofit.cli import main

def wait(*_, **__):
    print("here", file=sys.stderr, flush=True)
    sys.stdin.read()

phenofit.analysis.outputs.write_fit = wait
main(sys.argv[1:])
"""


def test_a_killed_fit_leaves_no_trace_and_a_second_one_at_once_is_refused(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import json
    import subprocess
    import sys

    (tmp_path / "notes.txt").write_text("of the user")
    call = words(f"fit DIR/study.toml --out {tmp_path}", folder)
    with subprocess.Popen(
        [sys.executable, "-c", CHILD, *call],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    ) as child:
        assert child.stderr is not None
        assert child.stderr.readline() == "here\n"
        assert main(call) == 2
        error = capsys.readouterr().err
        assert error.startswith(f"phenofit: {tmp_path}: another run of phenofit is writing into this folder.")
        assert error.count("\n") == 1
        child.kill()
    assert not (tmp_path / "flights.csv").exists()
    assert not (tmp_path / "run.json").exists()
    assert main(call) == 0
    found = {p.name for p in tmp_path.iterdir()}
    assert found == {"notes.txt", "flights.csv", "fit-invented-borer.json", "run.json"}
    assert json.loads((tmp_path / "run.json").read_text("utf-8"))["complete"] is True
    capsys.readouterr()


def test_one_station_of_a_table_is_summed_where_one_is_named(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import pandas as pd

    out = tmp_path / "sums.csv"
    call = words(
        f"heat DIR/weather.csv --base 10C --unit degC --station S1 --amounts 900+degF+d --out {out}", folder
    )
    assert main(call) == 0
    assert set(pd.read_csv(out)["station"]) == {"S1"}
    assert list(pd.read_csv(out).columns)[-1] == "run"
    dates = pd.read_csv(tmp_path / "sums-dates.csv")
    assert set(dates["amount"]) == {500.0}
    assert set(dates["run"]) == set(pd.read_csv(out)["run"])
    assert main([*call[:-4], "--amounts", "900", "--show", "degF d", "--out", str(out)]) == 0
    assert set(pd.read_csv(tmp_path / "sums-dates.csv")["unit"]) == {"degF d"}
    capsys.readouterr()


def test_a_bridge_without_forecast_days_is_said(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call = "forecast DIR/study.toml --fit DIR/fit.json --today 2017-05-20 --site T01"
    assert main(words(f"{call} --bridge", folder)) == 0
    note = "note: --bridge: the weather holds no days marked as numerical weather forecast."
    assert note in capsys.readouterr().out
    assert main(words(call, folder)) == 0
    assert note not in capsys.readouterr().out


def test_figures_of_places_that_look_alike_do_not_overwrite_each_other() -> None:
    from phenofit.output_folder import distinct_slugs

    places = [("season", species, site, "S") for species in ("a", "a b") for site in ("b c", "c", "B-C")]
    assert len(set(distinct_slugs(map(str, places)).values())) == 6


def test_the_refusal_names_the_option_as_it_is_written() -> None:
    from phenofit.cli.options import refuse_unused

    for value in (0, 7, "", ["x"], True):
        with pytest.raises(ModelError, match="--lead-days has no effect here"):
            refuse_unused(argparse.Namespace(lead_days=value), ["lead_days"], "here")
    unset: object
    for unset in (None, False, []):
        refuse_unused(argparse.Namespace(lead_days=unset), ["lead_days"], "here")


@pytest.mark.parametrize("name", COMMANDS)
def test_the_example_of_a_command_is_a_call_that_it_takes(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    words = shlex.split(COMMANDS[name].example)
    assert words[:2] == ["phenofit", name]
    module = importlib.import_module(COMMANDS[name].module)
    parser = argparse.ArgumentParser()
    module.configure(parser)
    parser.parse_args(words[2:])
    assert main(["help", name]) == 0
    assert " ".join(capsys.readouterr().out.split()).endswith(f"Example: {COMMANDS[name].example}")


def test_help_and_near_names(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["help"]) == 0
    assert "commands:" in capsys.readouterr().out
    assert main(["help", "forcast"]) == 2
    assert "did you mean 'forecast'?" in capsys.readouterr().err
    assert main(["forecast", "study.toml", "--evnts", "peak"]) == 2
    assert "unrecognized arguments: --evnts peak; did you mean '--events'?" in capsys.readouterr().err
