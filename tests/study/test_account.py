"""What becomes of the catches: `check` and `fit` give the same account, and every moth of the file is in it."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from phenofit.cli import main
from phenofit.study import survey_study
from tests.study.studies import CATCHES, STUDY, TRAPS, WEATHER, weather_row
from tests.study.studies import write_study as write_small
from tests.validate.study_files import write_study

HELD = '[flights]\nbase = "10 degC"\n\n[[published]]'


def account(text: str) -> list[str]:
    """Return the lines of the account in what a command printed: from the species on, those that are indented."""
    lines = text.splitlines()
    at = next(i for i, line in enumerate(lines) if re.search(r": \d+ moths? in \d+ checks? of ", line))
    end = next(i for i in range(at + 1, len(lines)) if not lines[i].startswith("  "))
    return lines[at:end]


def numbers(lines: list[str]) -> dict[str, tuple[int, int]]:
    """Return moths and checks of each line of an account, by the words before and behind them."""
    found = {}
    for line in lines:
        match = re.fullmatch(r"(.*?): (?:(\d+) moths? in )?(\d+) checks?(.*)", line)
        assert match, line
        found[f"{match[1].strip()} {match[4]}"] = (int(match[2] or 0), int(match[3]))
    return found


def damaged(folder: Path) -> Path:
    """Write a study whose catches are left out for many reasons, or known from below only."""
    path = write_study(folder)
    path.write_text(path.read_text("utf-8").replace("[[published]]", HELD), encoding="utf-8")
    with (folder / "catches.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    for row in rows[3:400:40]:
        row["count"] = "lost"
    for row in rows[10:400:40]:
        row["count"] = ">30"
    for row in rows[11:400:80]:
        row["count"] = "T"
    for row in rows:
        if row["trap"] == rows[0]["trap"] and row["check"].startswith("2015"):
            row["count"] = "0"
    rows.append({"trap": rows[0]["trap"], "set": "2015-12-01", "check": "2015-12-20", "count": "17"})
    with (folder / "catches.csv").open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, ["trap", "set", "check", "count"])
        writer.writeheader()
        writer.writerows(rows)
    weather = (folder / "weather.csv").read_text("utf-8").splitlines(keepends=True)
    station = weather[-1].split(",")[0]
    kept = [line for line in weather if not re.match(rf"{station},\d{{4}}-07-1", line)]
    (folder / "weather.csv").write_text("".join(kept), encoding="utf-8")
    return path


def test_check_and_fit_give_the_same_account(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = damaged(tmp_path)
    assert main(["check", str(path)]) == 0
    checked = account(capsys.readouterr().out)
    assert main(["fit", str(path)]) == 0
    fitted = account(capsys.readouterr().out)
    assert checked == fitted
    assert any("used in the fit" in line and "not counted exactly" in line for line in checked)
    for reason in ("no heat sum: station", "no moth caught", "trap lost", "check outside the season"):
        assert any(reason in line for line in checked), reason
    # What the file holds, counted here from the file itself, is used or left out to the last moth and check.
    with (tmp_path / "catches.csv").open(encoding="utf-8", newline="") as stream:
        cells = [row["count"] for row in csv.DictReader(stream)]
    moths = sum({"T": 1, "lost": 0, "": 0}.get(cell, 0) or int(cell.strip(">") or 0) for cell in cells
                if cell not in ("T", "lost", "")) + cells.count("T")  # fmt: skip
    whole, *parts = numbers(checked).values()
    assert whole == (moths, len(cells))
    assert tuple(map(sum, zip(*parts, strict=True))) == whole


def test_a_summary_in_python_gives_reasons_and_moths(tmp_path: Path) -> None:
    from phenofit.analysis.species_work import SpeciesWork
    from phenofit.study import load_study, read_inputs

    study = load_study(damaged(tmp_path))
    inputs = read_inputs(study)
    name = study.species[0]
    fit = SpeciesWork.of(study, inputs, name).fit(profiles=False)
    told = [line for line in fit.summary().splitlines() if line.startswith("left out of the fit: ")]
    assert len(told) == 2
    assert f"{int(fit.left_out['moths'].sum())} moths" in " ".join(told)
    assert ".left_out" not in fit.summary()
    again = type(fit).from_json(_written(fit.to_json(), tmp_path / "fit.json"))
    assert again.summary() == fit.summary()


def _written(text: str, path: Path) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def test_a_check_says_what_the_fit_says_where_nothing_can_be_used(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    broken = WEATHER.replace(weather_row("S1", 3, 5), "").replace(weather_row("S2", 3, 5), "")
    path = write_small(tmp_path, weather=broken)
    told = []
    for command in ("check", "fit"):
        assert main([command, str(path)]) == 2
        told.append(capsys.readouterr().err)
    assert "no trap-year is left to fit (no heat sum: station S1 has no temperature on 2024-03-05" in told[0]
    assert "no trap-year is left to fit (no heat sum: station S1 has no temperature on 2024-03-05" in told[1]


def test_pooled_checks_are_accounted_for(tmp_path: Path) -> None:
    traps = TRAPS.replace("elevation_m", "elevation_m,site").replace("400\n", "400,one\n")
    traps = traps.replace("-98.10,\n", "-98.10,,one\n").replace("420\n", "420,two\n")
    study = STUDY.replace('blank = "not checked"', 'blank = "not checked"\npool = "site"')
    survey = survey_study(write_small(tmp_path, study=study, traps=traps))
    assert survey.problems == ()
    found = numbers(survey.accounts[0].lines())
    # Traps A and B are one series of three intervals with the moths of both; their first checks have no start.
    assert found["used in the fit , 2 trap-years in 1 season (2024)"] == (42, 6)
    assert found["added to a check of another trap of the site "] == (0, 3)


def test_without_the_weather_the_account_says_so(tmp_path: Path) -> None:
    study = STUDY.replace('files = ["weather.csv"]', 'service = "meteostat"\nyears = [2023, 2024]')
    survey = survey_study(write_small(tmp_path, study=study))
    assert "  usable if no temperature is missing: 42 moths in 9 checks" in " ".join(
        survey.accounts[0].lines()
    )


def test_checks_at_a_biofix_are_used_and_those_before_it_named(tmp_path: Path) -> None:
    study = STUDY.replace(
        'start = "01-01"\nend', 'start = "biofix"\nbiofix = "biofix.csv"\ndates = "year-first"\nend'
    )
    biofix = "site,date\nA,2024-06-01\nB,2024-06-02\nC,2024-06-01\n"
    survey = survey_study(write_small(tmp_path, study=study, biofix=biofix))
    assert survey.problems == ()
    found = numbers(survey.accounts[0].lines())
    # The interval of trap B from 1 to 8 June begins before the biofix of 2 June: its 3 moths are named.
    assert found["left out  (the interval begins before the biofix)"] == (3, 1)
    assert found["used in the fit , 3 trap-years in 1 season (2024)"] == (39, 8)


def test_catches_are_the_files_own(tmp_path: Path) -> None:
    survey = survey_study(write_small(tmp_path, catches=CATCHES + "A,2024-12-24,5\n"))
    lines = survey.accounts[0].lines()
    assert "example leaf feeder: 47 moths in 13 checks of catches.csv" in lines
    assert "  left out: 5 moths in 1 check (check outside the season)" in lines
