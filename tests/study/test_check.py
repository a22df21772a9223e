"""Reading and checking everything that a study names."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenofit.cli import main
from phenofit.errors import DataError, ModelError
from phenofit.study import check_study, load_study, read_inputs, survey_study
from tests.study.studies import (
    CATCHES,
    STATIONS,
    STUDY,
    TRAPS,
    WEATHER,
    weather_line,
    weather_row,
    write_study,
)


def test_a_sound_study_has_no_problem(tmp_path: Path) -> None:
    survey = survey_study(write_study(tmp_path))
    assert survey.problems == ()
    assert survey.lines[0] == "traps.csv: 3 traps at 3 sites"
    assert survey.lines[1].startswith(
        "catches.csv: 12 checks, 2024-06-01 to 2024-06-22: 12 counted (of these 3 held none)"
    )
    (account,) = survey.accounts
    assert account.lines() == [
        "example leaf feeder: 42 moths in 12 checks of catches.csv",
        "  used in the fit: 42 moths in 9 checks, 3 trap-years in 1 season (2024)",
        "  left out: 0 moths in 3 checks (first check of the season; the start of its interval is unknown)",
    ]
    assert survey.traps is not None
    assert survey.traps["station"].tolist() == ["S1", "S2", "S1"]


def test_check_writes_nothing(tmp_path: Path) -> None:
    path = write_study(tmp_path)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    assert check_study(path) == ()
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


def test_planted_faults_are_all_named_at_once(tmp_path: Path) -> None:
    """Eleven faults in four files; each is reported once, with place, finding and remedy."""
    study = STUDY.replace("cell_km", "cel_km").replace('blank = "not checked"\n', "")
    traps = TRAPS.replace("C,44.15,-98.15,420", "C,44.15,98.15,420")
    traps = traps.replace("B,44.20,-98.10,", "B,44.20,-98.10,low") + "E,44.9,-98.2,\n"
    catches = CATCHES.replace("A,2024-06-08,3", "A,2024-06-31,3").replace(
        "A,2024-06-22,2", "A,2024-06-22,many"
    )
    catches = catches.replace("B,2024-06-08,3", "B,2024-06-01,3").replace("B,2024-06-15,9", "D,2024-06-15,9")
    catches = catches.replace("C,2024-06-08,3", "C,2024-06-08,-3")
    warm, ragged = weather_row("S1", 3, 5), weather_row("S2", 5, 1)
    weather = WEATHER.replace(warm, warm.rsplit(",", 1)[0] + ",warm\n").replace(
        "S2,2024-04-02", "S2,02.04.2024"
    )
    weather = weather.replace(ragged, ragged.rsplit(",", 1)[0] + "\n")
    path = write_study(tmp_path, study=study, traps=traps, catches=catches, weather=weather)
    expected = {
        (str(path), 13, "catches.blank"): "absent",
        (str(path), STUDY[: STUDY.index("cell_km")].count("\n"), "map.cel_km"): "not known",
        ("traps.csv", 3, "elevation_m"): "'low'",
        ("traps.csv", 4, "longitude"): "did you mean -98.15?",
        ("traps.csv", 5, ""): "the limit is 40 km",
        ("catches.csv", 3, "date"): "2024-06-31",
        ("catches.csv", 5, "count"): "'many'",
        ("catches.csv", 7, "date"): "checked twice on 2024-06-01",
        ("catches.csv", 8, "trap"): "'D' is not in the trap table",
        ("catches.csv", 11, "count"): "negative",
        ("weather.csv", weather_line("S2", 5, 1), ""): "3 cells",
    }
    found = check_study(path)
    assert {(p.file, p.row, p.column) for p in found} == set(expected)
    assert len(found) == len(expected)
    for problem in found:
        assert expected[problem.file, problem.row or 0, problem.column] in problem.finding
        assert problem.remedy
    # A table whose rows do not fit its header is not read any further; once they do, its cells are.
    weather = weather.replace(ragged.rsplit(",", 1)[0] + "\n", ragged)
    found = check_study(
        write_study(tmp_path, weather=weather, stations=STATIONS.replace("S2,44.22", "S2,94.22"))
    )
    assert {(p.file, p.row, p.column) for p in found} == {
        ("stations.csv", 3, "latitude"),
        ("weather.csv", weather_line("S1", 3, 5), "tmax"),
        ("weather.csv", weather_line("S2", 4, 2), "date"),
    }


def test_without_a_declared_date_order_the_tables_are_still_looked_through(tmp_path: Path) -> None:
    study = STUDY.replace('dates = "year-first"\n', "")
    catches = CATCHES.replace("2024-06-", "06/").replace(",0\n", ",none\n", 1)
    catches = "".join(
        line if line.startswith("trap,") else line.replace(",", "/2024,", 2).replace("/2024", "", 1)
        for line in catches.splitlines(keepends=True)
    )
    path = write_study(tmp_path, study=study, catches=catches)
    assert [(p.row, p.column) for p in check_study(path)] == [(13, "catches.dates"), (2, "count")]


def test_check_on_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_study(tmp_path)
    assert main(["check", str(path)]) == 0
    out = capsys.readouterr().out
    assert out.endswith("study.toml: no problems\n")
    # 2.7 km from trap A to S1: haversine on the mean sphere (computed); 400 m - 390 m.
    assert "  A     S1       2.7            +10                     nearest" in out
    assert "-" in next(line for line in out.splitlines() if line.startswith("  B "))
    write_study(tmp_path, catches=CATCHES + "A,2024-07-40,many\n")
    assert main(["check", str(path)]) == 2
    captured = capsys.readouterr()
    assert "2 problems" in captured.err
    assert "catches.csv, row 14, column 'date': '2024-07-40'" in captured.err
    assert "no problems" not in captured.out


def test_faults_of_the_study_file_come_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_study(tmp_path, study=STUDY.replace("cell_km", "cell"), catches="broken")
    assert main(["check", str(path)]) == 2
    assert "Did you mean 'cell_km'?" in capsys.readouterr().err


def test_a_station_out_of_reach_is_a_problem_of_the_trap(tmp_path: Path) -> None:
    path = write_study(tmp_path, study=STUDY.replace("max_distance_km = 40", "max_distance_km = 1"))
    found = check_study(path)
    assert [(p.file, p.row) for p in found] == [("traps.csv", 2), ("traps.csv", 3), ("traps.csv", 4)]
    assert all("the limit is 1 km" in p.finding for p in found)


def test_a_station_fixed_in_the_table_is_taken(tmp_path: Path) -> None:
    traps = "trap,latitude,longitude,station\nA,44.10,-98.20,S2\nB,44.20,-98.10,\nC,44.15,-98.15,\n"
    inputs = read_inputs(load_study(write_study(tmp_path, traps=traps)))
    assert inputs.links[["station", "how"]].values.tolist() == [
        ["S2", "given"],
        ["S2", "nearest"],
        ["S1", "nearest"],
    ]
    (problem,) = check_study(write_study(tmp_path, traps=traps.replace("S2", "S9")))
    assert "'S9' is not in the weather" in problem.finding
    assert problem.row == 2


def test_missing_files_are_all_named(tmp_path: Path) -> None:
    path = write_study(tmp_path)
    for name in ("traps", "catches", "weather"):
        (tmp_path / f"{name}.csv").unlink()
    assert [p.file for p in check_study(path)] == ["traps.csv", "catches.csv", "weather.csv"]


def test_inputs_carry_provenance_and_notes(tmp_path: Path) -> None:
    inputs = read_inputs(load_study(write_study(tmp_path, catches=CATCHES + ",,\n")))
    assert inputs.hashes["catches.csv"] == hashlib.sha256((tmp_path / "catches.csv").read_bytes()).hexdigest()
    assert set(inputs.hashes) == {"study.toml", "traps.csv", "catches.csv", "stations.csv", "weather.csv"}
    assert "catches.csv: 1 blank row skipped (row 14)." in inputs.notes
    assert not any(str(tmp_path) in note for note in inputs.notes)
    assert inputs.weather["tmin"].attrs["units"] == "degC"
    assert inputs.records("example leaf feeder").trap_years.years["total"].tolist() == [14, 14, 14]
    assert inputs.starts is None
    with pytest.raises(ModelError, match="no species"):
        inputs.records("another")


def test_reading_stops_with_every_problem(tmp_path: Path) -> None:
    path = write_study(tmp_path, traps=TRAPS + "C,44,-98,\n", catches=CATCHES + "A,soon,1\n")
    with pytest.raises(DataError) as caught:
        read_inputs(load_study(path))
    assert [p.file for p in caught.value.problems] == ["traps.csv", "catches.csv"]


SPECIES = STUDY.replace('species = "example leaf feeder"', 'species = ["red moth", "blue moth"]').replace(
    "[[published]]\n", '[[published]]\nspecies = "red moth"\n'
)
BOTH = (
    CATCHES.replace("count\n", "count,species\n")
    .replace("\n", ",Red moth\n")
    .replace("species,Red moth", "species")
)


def test_species_of_one_table_are_parted(tmp_path: Path) -> None:
    blue = "".join(f"A,2024-06-{d:02d},{c},blue moth\n" for d, c in [(1, 0), (8, 1), (15, 1)])
    other = "B,2024-06-01,7,green moth\n"
    inputs = read_inputs(load_study(write_study(tmp_path, study=SPECIES, catches=BOTH + blue + other)))
    assert inputs.records("red moth").trap_years.years["total"].sum() == 42
    assert inputs.records("blue moth").trap_years.years["total"].sum() == 2
    assert any(
        "1 rows of other species with 7 moths left aside ('green moth')" in note for note in inputs.notes
    )


def test_checks_that_list_another_species_only(tmp_path: Path) -> None:
    extra = "A,2024-06-29,1,red moth\nA,2024-06-29,1,blue moth\nA,2024-07-06,3,blue moth\nA,2024-07-13,0,red moth\n"
    extra += "A,2024-07-13,1,blue moth\n"
    study = SPECIES.replace('blank = "not checked"', 'blank = "not checked"\nunlisted_species = "zero"')
    plain = read_inputs(load_study(write_study(tmp_path, study=SPECIES, catches=BOTH + extra)))
    zero = read_inputs(load_study(write_study(tmp_path, study=study, catches=BOTH + extra)))
    ends = [
        inputs.records("red moth")
        .trap_years.intervals.query("trap == 'A'")["end"]
        .dt.strftime("%m-%d")
        .tolist()[-2:]
        for inputs in (plain, zero)
    ]
    assert ends == [["06-29", "07-13"], ["07-06", "07-13"]]
    assert any("taken as not checked" in note for note in plain.records("red moth").trap_years.notes)


def test_a_species_without_rows_is_a_problem(tmp_path: Path) -> None:
    (problem,) = check_study(write_study(tmp_path, study=SPECIES, catches=BOTH))
    assert "no row is of species 'blue moth'" in problem.finding
    (problem,) = check_study(write_study(tmp_path, study=SPECIES))
    assert "no species column" in problem.finding


def test_weather_of_other_years_is_a_problem(tmp_path: Path) -> None:
    (problem,) = check_study(write_study(tmp_path, weather=WEATHER.replace("2024", "2020")))
    assert problem.column == "weather"
    assert "2020-01-01 to 2020-07-31" in problem.finding


def test_a_season_without_weather_is_noted(tmp_path: Path) -> None:
    earlier = CATCHES.replace("trap,date,count\n", "").replace("2024", "2023")
    survey = survey_study(write_study(tmp_path, catches=CATCHES + earlier))
    assert survey.problems == ()
    assert any("seasons 2023" in note for note in survey.notes)


def test_a_study_on_the_service_is_checked_without_it(tmp_path: Path) -> None:
    study = STUDY.replace('files = ["weather.csv"]', 'service = "meteostat"\nyears = [2023, 2024]')
    survey = survey_study(write_study(tmp_path, study=study))
    assert survey.problems == ()
    assert survey.lines[-1] == "weather: from the station service; not asked by a check"


def test_a_biofix_gives_the_starts(tmp_path: Path) -> None:
    study = STUDY.replace(
        'start = "01-01"\nend', 'start = "biofix"\nbiofix = "biofix.csv"\ndates = "month-first"\nend'
    )
    path = write_study(tmp_path, study=study, biofix="site,date\nA,5/14/24\nB,05/17/2024\n")
    inputs = read_inputs(load_study(path))
    assert inputs.starts == {
        ("A", 2024): np.datetime64("2024-05-14", "ns"),
        ("B", 2024): np.datetime64("2024-05-17", "ns"),
    }
    assert "biofix.csv" in inputs.hashes
    (problem,) = check_study(write_study(tmp_path, study=study, biofix="site,date\nA,5/14/24\nBB,5/17/24\n"))
    assert (problem.file, problem.row) == ("biofix.csv", 3)


def test_covariates_must_be_columns_of_the_trap_table(tmp_path: Path) -> None:
    study = STUDY.replace("count = 1", 'count = 1\ncovariates = ["elevaton_m"]')
    (problem,) = check_study(write_study(tmp_path, study=study))
    assert "Did you mean 'elevation_m'?" in problem.remedy


def test_pooled_sites_have_a_station(tmp_path: Path) -> None:
    traps = "trap,site,latitude,longitude\nA,North,44.10,-98.20\nB,North,44.20,-98.10\nC,South,44.15,-98.15\n"
    study = STUDY.replace('blank = "not checked"', 'blank = "not checked"\npool = "site"')
    inputs = read_inputs(load_study(write_study(tmp_path, study=study, traps=traps)))
    years = inputs.records("example leaf feeder").trap_years.years
    assert years["trap"].tolist() == ["North", "South"]
    assert set(years["trap"]) <= set(inputs.links["trap"])


def test_windows_line_ends_and_a_mark_are_no_matter(tmp_path: Path) -> None:
    path = write_study(tmp_path)
    expected = read_inputs(load_study(path))
    for name in ("study.toml", "traps.csv", "catches.csv", "stations.csv", "weather.csv"):
        file = tmp_path / name
        file.write_bytes(b"\xef\xbb\xbf" + file.read_bytes().replace(b"\n", b"\r\n"))
    found = read_inputs(load_study(path))
    pd.testing.assert_frame_equal(found.catches, expected.catches)
    assert found.weather["tmax"].equals(expected.weather["tmax"])


def test_a_missing_day_is_filled_only_where_the_study_says_so(tmp_path: Path) -> None:
    weather = WEATHER.replace(weather_row("S1", 5, 10), "")
    path = write_study(tmp_path, weather=weather)
    plain = read_inputs(load_study(path)).weather
    assert any(
        note.startswith("station 'S1', season 2024: no temperatures on 1 day from 2024-05-10")
        for note in survey_study(path).notes
    )
    study = STUDY.replace(
        "max_distance_km = 40", 'max_distance_km = 40\nfill = ["neighbours", "interpolation"]'
    )
    filled = read_inputs(load_study(write_study(tmp_path, study=study, weather=weather)))
    at = {"station": "S1", "time": "2024-05-10"}
    assert np.isnan(plain["tmin"].sel(at))
    assert np.isfinite(filled.weather["tmin"].sel(at))
    assert int(filled.weather["source"].sel(at)) == 3
    assert any("illed" in note for note in filled.notes)


def test_a_keying_error_is_set_aside_and_told_unless_kept(tmp_path: Path) -> None:
    row = weather_row("S1", 5, 10)
    damaged = WEATHER.replace(row, row.rsplit(",", 1)[0] + ",55.0\n")
    inputs = read_inputs(load_study(write_study(tmp_path, weather=damaged)))
    day = {"station": "S1", "time": "2024-05-10"}
    assert np.isnan(inputs.weather["tmax"].sel(day))
    assert any("spike" in note and "S1" in note for note in inputs.notes)
    study = STUDY.replace(
        "max_distance_km = 40", 'max_distance_km = 40\nkeep_flagged = ["spike"]\nchecks = ["spike"]'
    )
    kept = read_inputs(load_study(write_study(tmp_path, study=study, weather=damaged)))
    assert float(kept.weather["tmax"].sel(day)) == 55.0


def test_a_check_that_doubts_a_whole_series_stops_and_says_how_to_go_on(tmp_path: Path) -> None:
    lines = [line.rsplit(",", 2)[0] + ",8,18" for line in WEATHER.splitlines()[1:]]
    constant = "station,date,tmin,tmax\n" + "\n".join(lines) + "\n"
    found = check_study(write_study(tmp_path, weather=constant))
    assert [p.column for p in found] == ["weather.checks", "weather.checks"]
    assert "'repeated_value'" in found[0].finding
    assert "213 of 213 days" in found[0].finding
    assert 'keep_flagged = ["repeated_value"]' in found[0].remedy
    kept = STUDY.replace("max_distance_km = 40", 'max_distance_km = 40\nkeep_flagged = ["repeated_value"]')
    assert check_study(write_study(tmp_path, study=kept, weather=constant)) == ()
