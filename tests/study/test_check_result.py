"""What a check prints: grouped findings, JSON, the traps' intervals and weather, and what a fit will use."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from phenofit.analysis.species_work import SpeciesWork
from phenofit.cli import main
from phenofit.study import load_study, read_inputs, survey_study
from tests.study.studies import CATCHES, STUDY, TRAPS, WEATHER, weather_row, write_study
from tests.validate.study_files import write_study as write_network

BAD = (
    CATCHES.replace("A,2024-06-08,3", "A,2024-06-08,many")
    .replace("A,2024-06-22,2", "A,2024-06-22,few")
    .replace("B,2024-06-15,9", "B,2024-06-45,9")
)


def test_one_line_for_each_kind_and_all_rows_where_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_study(tmp_path, catches=BAD)
    assert main(["check", str(path)]) == 2
    head, *lines = capsys.readouterr().err.splitlines()
    assert head == f"{path}: 3 problems"
    assert len(lines) == 2
    assert lines[0].startswith("  catches.csv, row 3, column 'count': 'many' is not a count.")
    assert lines[0].endswith(" The same in 1 other row: 5.")
    assert "row 8, column 'date': '2024-06-45'" in lines[1]
    assert main(["check", str(path), "--all"]) == 2
    every = capsys.readouterr().err.splitlines()[1:]
    assert [line.split(":")[0].strip() for line in every] == [
        "catches.csv, row 3, column 'count'",
        "catches.csv, row 5, column 'count'",
        "catches.csv, row 8, column 'date'",
    ]


def test_groups_stand_in_the_order_of_the_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # The distance of traps is found last, after the weather has been read.
    traps = TRAPS.replace("C,44.15,-98.15,420", "C,47.15,-98.15,420")
    weather = WEATHER.replace(weather_row("S1", 3, 5), weather_row("S1", 3, 5).replace("2024", "20x4"))
    path = write_study(tmp_path, traps=traps, catches=BAD, weather=weather)
    assert main(["check", str(path)]) == 2
    files = [line.split(",")[0].strip() for line in capsys.readouterr().err.splitlines()[1:]]
    assert files == ["traps.csv", "catches.csv", "catches.csv", "weather.csv"]


def test_json_of_a_faulty_study(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_study(tmp_path, catches=BAD)
    assert main(["check", str(path), "--json"]) == 2
    found = json.loads(capsys.readouterr().out)
    assert (found["schema"], found["ok"], found["study"]) == (1, False, str(path))
    assert [(group["file"], group["column"], group["count"]) for group in found["groups"]] == [
        ("catches.csv", "count", 2),
        ("catches.csv", "date", 1),
    ]
    assert [problem["row"] for problem in found["groups"][0]["problems"]] == [3, 5]
    assert found["species"] == []


def test_json_of_a_sound_study(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_study(tmp_path)
    assert main(["check", str(path), "--json"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    found = json.loads(out)
    # The fields that README.md names.
    assert list(found) == [
        "schema", "study", "ok", "groups", "read", "notes", "species", "traps", "longest_intervals"
    ]  # fmt: skip
    (species,) = found["species"]
    assert (species["moths"], species["used_moths"], species["used_checks"]) == (42, 42, 9)
    assert species["left_out"][0]["checks"] == 3
    assert found["traps"][1]["height_difference_m"] is None
    assert found["traps"][0]["checks"] == 3
    assert found["longest_intervals"][0] == {
        "species": "example leaf feeder", "trap": "A", "start": "2024-06-01T12:00:00",
        "end": "2024-06-08T12:00:00", "days": 7.0, "row": 3,
    }  # fmt: skip


def test_intervals_by_trap_and_the_longest(tmp_path: Path) -> None:
    catches = CATCHES + "A,2024-07-20,1\nB,2024-06-29,\nB,2024-07-06,4\n"
    survey = survey_study(write_study(tmp_path, catches=catches))
    assert survey.traps is not None
    assert survey.longest is not None
    rows = survey.traps[["trap", "checks", "median_days", "longest_days"]].to_numpy().tolist()
    assert rows == [["A", 4, 7.0, 28.0], ["B", 4, 7.0, 14.0], ["C", 3, 7.0, 7.0]]
    assert survey.longest[["trap", "days", "row"]].to_numpy().tolist()[:3] == [
        ["A", 28.0, 14], ["B", 14.0, 16], ["A", 7.0, 3]
    ]  # fmt: skip
    assert len(survey.longest) == 10


def test_the_weather_of_each_trap(tmp_path: Path) -> None:
    # Season days: 1 January to 22 June 2024, 174 of them; station S1 lacks two, after them one.
    weather = WEATHER
    for month, day in ((5, 10), (5, 11), (7, 1)):
        weather = weather.replace(weather_row("S1", month, day), "")
    survey = survey_study(write_study(tmp_path, weather=weather))
    assert survey.traps is not None
    table = survey.traps.set_index("trap")
    assert table["share_covered"].tolist() == pytest.approx([172 / 174, 1.0, 172 / 174])
    # In the made-up weather S2 is 0.7 degC warmer at 15 m more height, worth 6.5 * 0.015 degC.
    assert table["offset"].tolist() == pytest.approx([-0.7975, 0.7975, -0.7975], abs=1e-3)
    assert not any("neighbouring" in note for note in survey.notes)


def test_a_station_unlike_its_neighbours_is_named(tmp_path: Path) -> None:
    lines = [line.split(",") for line in WEATHER.splitlines()[1:]]
    warm = [
        f"{s},{day},{float(low) + 3 * (s == 'S2'):.1f},{float(high) + 3 * (s == 'S2'):.1f}"
        for s, day, low, high in lines
    ]
    survey = survey_study(write_study(tmp_path, weather="\n".join(["station,date,tmin,tmax", *warm]) + "\n"))
    assert survey.problems == ()
    assert any("station 'S2' is 3.8 °C warmer than 1 neighbouring station" in note for note in survey.notes)


def test_each_species_of_a_study_uses_what_the_check_says(tmp_path: Path) -> None:
    """Counts of one species, presence alone of the other: two forms of record, one table."""
    path = write_network(tmp_path)
    text = path.read_text("utf-8")
    text = text.replace('species = "invented borer"', 'species = ["invented borer", "other moth"]', 1)
    text += '[flights]\nbase = "10 degC"\ncurve = "normal"\n[[flights.species]]\nname = "other moth"\nrecords = "presence"\n'
    path.write_text(text, encoding="utf-8")
    table = pd.read_csv(tmp_path / "catches.csv", dtype=str, keep_default_na=False)
    other = table.iloc[::2].assign(species="other moth")
    other.loc[other.index[5:40:7], "count"] = "T"
    other.loc[other["trap"] == other["trap"].iloc[0], "count"] = "4"
    pd.concat([table.assign(species="invented borer"), other]).to_csv(tmp_path / "catches.csv", index=False)
    survey = survey_study(path)
    assert survey.problems == ()
    study = load_study(path)
    inputs = read_inputs(study)
    for name, checked in zip(study.species, survey.accounts, strict=True):
        work = SpeciesWork.of(study, inputs, name)
        assert work.account(work.fit()).lines() == checked.lines()
    assert any("moths at every check" in line for line in survey.accounts[1].lines())


@pytest.mark.parametrize("ending", ["png", "svg"])
def test_a_picture_is_written_only_where_asked(
    ending: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, picture = write_study(tmp_path), tmp_path / f"records.{ending}"
    assert main(["check", str(path), "--picture", str(picture)]) == 0
    assert f"written: {picture}" in capsys.readouterr().out
    first = picture.read_bytes()
    assert main(["check", str(path), "--picture", str(picture)]) == 0
    assert picture.read_bytes() == first


def test_calls_of_check_that_cannot_be_answered(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_study(tmp_path)
    before = sorted(p.name for p in tmp_path.iterdir())
    for options, words in (
        (["--picture", str(tmp_path / "a.txt")], "must end in .png or .svg"),
        (["--json", "--all"], "--all has no effect on JSON"),
    ):
        assert main(["check", str(path), *options]) == 2
        assert words in capsys.readouterr().err
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_no_picture_of_records_that_cannot_be_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, picture = write_study(tmp_path, catches=BAD), tmp_path / "a.png"
    assert main(["check", str(path), "--picture", str(picture)]) == 2
    assert f"not written: {picture}" in capsys.readouterr().out
    assert not picture.exists()


def test_a_picture_without_the_weather(tmp_path: Path) -> None:
    study = STUDY.replace('files = ["weather.csv"]', 'service = "meteostat"\nyears = [2023, 2024]')
    path = write_study(tmp_path, study=study)
    assert main(["check", str(path), "--picture", str(tmp_path / "a.png")]) == 0
    assert (tmp_path / "a.png").is_file()
