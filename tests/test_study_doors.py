"""Contrasts, start dates, rearing data and Darwin Core occurrences, reached from the study file."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from phenofit.analysis.results import SpeciesResult
from phenofit.analysis.species_work import SpeciesWork
from phenofit.cli import main
from phenofit.errors import DataError
from phenofit.flight import fit_flights, rearing_term
from phenofit.heat import fit_rearing
from phenofit.report.page import _model
from phenofit.run import run_study
from phenofit.study import check_study, load_study, read_inputs, read_records, survey_study
from phenofit.traps import read_darwin_core, split_events, to_darwin_core, write_darwin_core
from tests.studies import draw_without_pictures
from tests.validate.study_files import write_study

# Temperatures [degC] and days of an invented stage.
REARED = "temperature,duration,use\n16,40,\n20,25,\n24,18,\n28,14.5,\n34,20,no\n"


def with_text(folder: Path, text: str, *, crops: bool = False) -> Path:
    path = write_study(folder)
    path.write_text(path.read_text("utf-8") + text, encoding="utf-8")
    if crops:
        traps = pd.read_csv(folder / "traps.csv", dtype=str)
        traps["crop"] = ["maize", "apple"] * (len(traps) // 2) + ["maize"] * (len(traps) % 2)
        traps.to_csv(folder / "traps.csv", index=False)
    return path


def work_on(path: Path) -> SpeciesWork:
    study = load_study(path)
    return SpeciesWork.of(study, read_inputs(study), study.species[0])


def test_contrasts_and_starts_are_answered_on_the_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    draw_without_pictures(monkeypatch)
    text = (
        '[flights]\nbase = "10 degC"\ncurve = "normal"\ncontrasts = ["crop"]\nstarts = ["01-01", "03-01"]\n'
    )
    path = with_text(tmp_path, text, crops=True)
    result = run_study(path, out=tmp_path / "out", workers=1)
    said = result.species[0].checks.questions
    assert any("that the requirement depends on crop" in line and "apple" in line for line in said)
    assert any(line.startswith("Of the start dates compared, 0") for line in said)
    page = (tmp_path / "out" / "report.html").read_text("utf-8")
    assert "Groups of traps and start dates" in page
    assert "that the requirement depends on crop" in page
    assert not (tmp_path / "out" / "occurrences.csv").exists()


def test_a_question_that_cannot_be_answered_says_why(tmp_path: Path) -> None:
    path = with_text(
        tmp_path, '[flights]\nbase = "10 degC"\ncurve = "normal"\ncontrasts = ["crop"]\n', crops=True
    )
    traps = pd.read_csv(tmp_path / "traps.csv", dtype=str)
    traps.assign(crop="maize").to_csv(tmp_path / "traps.csv", index=False)
    work = work_on(path)
    (line,) = work.settled().check(work.fit()).questions
    assert line.startswith("Whether the requirement depends on crop cannot be tested: ")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[flights]\ncontrasts = ["colour"]\n', "the contrast 'colour' is no column of the trap table"),
        ('[flights]\nstarts = ["13-01"]\n', "flights.starts"),
        ('[[rearing]]\nfile = "gone.csv"\nunit = "degC"\n', "gone.csv"),
        ('[[rearing]]\nfile = "reared.csv"\n', "rearing"),
        (
            '[[rearing]]\nfile = "reared.csv"\nunit = "degC"\nspecies = "other"\n',
            "names no species of the study",
        ),
        ('[occurrences]\nsampling_protocol = "trap"\n', "geodetic_datum"),
        ('[forecast]\nstages = "none.csv"\n', "none.csv"),
        ('[forecast]\nstages = "lags.csv"\n', "the study has no species 'other moth'"),
    ],
)
def test_faults_are_found_by_check(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "reared.csv").write_text(REARED, encoding="utf-8")
    (tmp_path / "lags.csv").write_text(
        "stage,after,lag,spread,unit,species\neggs,flight_5,3,1,d,other moth\n", encoding="utf-8"
    )
    path = with_text(tmp_path, text)
    assert any(words in str(problem) for problem in check_study(path))
    assert main(["check", str(path)]) == 2


def test_a_cell_of_a_rearing_table_is_refused_by_row(tmp_path: Path) -> None:
    (tmp_path / "reared.csv").write_text(REARED.replace("20,25,", "20,soon,maybe"), encoding="utf-8")
    path = with_text(tmp_path, '[[rearing]]\nfile = "reared.csv"\nunit = "degC"\n')
    said = [str(problem) for problem in check_study(path)]
    assert any("reared.csv, row 3, column 'duration'" in line for line in said)
    assert any("reared.csv, row 3, column 'use'" in line for line in said)


def test_rearing_data_take_part_in_the_fit(tmp_path: Path) -> None:
    (tmp_path / "reared.csv").write_text(REARED, encoding="utf-8")
    path = with_text(tmp_path, '[[rearing]]\nfile = "reared.csv"\nunit = "degC"\n')
    work = work_on(path)
    fit = work.fit()
    term = rearing_term(fit_rearing([16, 20, 24, 28], [40, 25, 18, 14.5]), source="reared.csv")
    assert fit.settings.rearing == term
    assert "reared.csv" in work.inputs.hashes
    alone = fit_flights(
        work.records, load_study(write_study(tmp_path)).flight_model(work.species), profiles=False
    )
    assert dict(
        _model(
            SpeciesResult(work.species, fit, work.records, pd.DataFrame(), (), pd.DataFrame(), pd.DataFrame())
        )
    )["rearing data"].startswith("rearing data take part as a normal prior on the base")
    # The prior draws the base towards its own.
    assert abs(fit.base - term.base) < abs(alone.base - term.base)


@pytest.mark.parametrize("events", [pytest.param(False, marks=pytest.mark.slow), True])
def test_occurrences_are_written_and_read_again(
    events: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    draw_without_pictures(monkeypatch)
    text = '[flights]\nbase = "10 degC"\ncurve = "normal"\n[occurrences]\nsampling_protocol = "delta trap"\ngeodetic_datum = "EPSG:4326"\n'
    text += "events = true\n" if events else ""
    path = with_text(tmp_path, text)
    result = run_study(path, out=tmp_path / "out", workers=1)
    records = result.species[0].records
    out = tmp_path / "out"
    assert (out / "events.csv").exists() == events
    traps, catches = read_darwin_core(out / "occurrences.csv", events=out / "events.csv" if events else None)
    assert set(traps["trap"]) == set(records.trap_years.years["trap"])
    assert int(catches["count"].sum()) == records.moths
    assert len(catches) == len(records.trap_years.intervals)
    page = (tmp_path / "out" / "report.html").read_text("utf-8")
    named = "occurrences.csv and events.csv" if events else "occurrences.csv"
    assert f"in {named} (sampling protocol: delta trap; datum: EPSG:4326)" in page


@pytest.mark.parametrize("events", [False, True])
def test_a_study_on_occurrences_gives_the_same_trap_years(events: bool, tmp_path: Path) -> None:
    records = next(iter(read_records(write_study(tmp_path)).values()))
    table = to_darwin_core(
        records.trap_years,
        scientific_name="invented borer",
        sampling_protocol="delta trap",
        geodetic_datum="EPSG:4326",
    )
    more = ""
    if events:
        of_events, table = split_events(table)
        write_darwin_core(tmp_path / "events.csv", of_events)
        more = '\nevents = "events.csv"'
    write_darwin_core(tmp_path / "occurrences.csv", table)
    text = (tmp_path / "study.toml").read_text("utf-8")
    text = text.replace('file = "traps.csv"', f'file = "occurrences.csv"\nform = "darwin-core"{more}')
    text = text.replace(
        'file = "catches.csv"\ndates = "year-first"\nblank = "not checked"\n',
        f'file = "occurrences.csv"\nform = "darwin-core"{more}\n',
    )
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    again = next(iter(read_records(tmp_path / "study.toml").values()))
    kept = ["trap", "season", "start", "end", "count", "status"]
    pd.testing.assert_frame_equal(again.trap_years.intervals[kept], records.trap_years.intervals[kept])


def test_events_of_a_plain_table_are_refused(tmp_path: Path) -> None:
    path = write_study(tmp_path)
    text = path.read_text("utf-8").replace('file = "catches.csv"', 'file = "catches.csv"\nevents = "e.csv"')
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DataError, match="'events' has an effect on Darwin Core occurrences only"):
        load_study(path)


def test_a_key_without_effect_on_occurrences_is_refused(tmp_path: Path) -> None:
    path = write_study(tmp_path)
    text = path.read_text("utf-8").replace(
        'file = "catches.csv"', 'file = "catches.csv"\nform = "darwin-core"'
    )
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DataError, match="'blank' has no effect on Darwin Core occurrences"):
        load_study(path)


def test_check_writes_the_occurrences_without_a_fit(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = '\n[occurrences]\nsampling_protocol = "delta trap"\ngeodetic_datum = "EPSG:4326"\nevents = true\n'
    path = with_text(tmp_path, text)
    assert main(["check", str(path), "--occurrences", str(tmp_path / "out")]) == 0
    assert "written" in capsys.readouterr().out
    survey = survey_study(path)
    moths = sum(records.moths for records in survey.records.values())
    occurrences = pd.read_csv(tmp_path / "out" / "occurrences.csv")
    assert occurrences["individualCount"].sum() == moths
    assert set(occurrences["eventID"]) <= set(pd.read_csv(tmp_path / "out" / "events.csv")["eventID"])
    (tmp_path / "plain").mkdir()
    plain = with_text(tmp_path / "plain", "")
    assert main(["check", str(plain), "--occurrences", str(tmp_path / "none")]) == 2
    assert "needs the table [occurrences]" in capsys.readouterr().err
    assert not (tmp_path / "none").exists()
