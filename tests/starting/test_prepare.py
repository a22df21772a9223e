"""What is stated and what is asked, table by table."""

from __future__ import annotations

import csv
import io
import tomllib
from pathlib import Path
from typing import Any

import pytest

from phenofit.errors import DataError
from phenofit.starting import Prepared
from tests.starting import file_sets
from tests.starting.tables import evidence, prepared

ANSWERS = {"catches.blank": ("zero",), "catches.start": ("check before",), "study.species": ("borer",)}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder of positions and weather, without catches."""
    place = tmp_path / "study"
    place.mkdir()
    file_sets.by_hand(place, set_dates=False, lures=False).unlink()
    (place / "catches.csv").unlink()
    return place


def _write(folder: Path, text: str) -> None:
    (folder / "catches.csv").write_text(text, "utf-8")


def _rows(header: str, rows: list[str]) -> str:
    return "\n".join([header, *rows]) + "\n"


def _open(found: Prepared) -> list[str]:
    return [question.name for question in found.questions]


def _study(found: Prepared) -> dict[str, Any]:
    assert not found.questions
    assert not found.unused
    return tomllib.loads(found.files["study.toml"])


def test_dates_that_fit_two_orders_are_asked_with_both_readings(folder: Path) -> None:
    rows = [
        f"{trap},{date},1" for date in ("05/01/2021", "05/08/2021", "06/05/2021") for trap in file_sets.TRAPS
    ]
    _write(folder, _rows("trap,date,count", rows))
    found = prepared(folder, {**ANSWERS, "catches.blank": ("not checked",)})
    assert _open(found) == ["catches.dates"]
    said = evidence(found, "catches.dates")
    assert "no number above 12 in the first or second place" in said
    assert "Read month-first, '05/01/2021' is 1 May 2021, and the rows are in order." in said
    # 5 January, 5 August, 6 May: each of three traps goes back once.
    assert "Read day-first, '05/01/2021' is 5 January 2021, and 3 rows are dated before the row above" in said
    assert (
        _study(prepared(folder, {**ANSWERS, "catches.dates": ("month-first",)}))["catches"]["dates"]
        == "month-first"
    )


def test_a_stated_fact_can_be_overruled(folder: Path) -> None:
    _write(folder, _rows("trap,date,count,nymphs", ["South,2021-05-01,1,7", "South,2021-05-08,1,8"]))
    assert _study(prepared(folder, ANSWERS))["catches"]["columns"]["count"] == "count"
    changed = prepared(folder, {**ANSWERS, "catches.columns.count": ("nymphs",)})
    assert _study(changed)["catches"]["columns"]["count"] == "nymphs"


def test_two_columns_of_one_role_are_asked_and_named_with_their_cells(folder: Path) -> None:
    _write(folder, _rows("plot,Trap ID,date,count", ["P1,South,2021-05-01,1", "P2,South,2021-05-08,2"]))
    found = prepared(folder, ANSWERS)
    assert _open(found)[0] == "catches.columns.trap"
    assert "'plot' has 2 different texts: 'P1', 'P2'; 0 blank." in evidence(found, "catches.columns.trap")


def test_a_second_column_of_dates_is_not_taken_as_the_day_of_setting_silently(folder: Path) -> None:
    _write(
        folder,
        _rows("trap,date,Entered,count", ["South,2021-05-08,2021-09-01,1", "South,2021-05-15,2021-09-01,2"]),
    )
    assert "catches.columns.set" in _open(prepared(folder, ANSWERS))
    none = prepared(folder, {**ANSWERS, "catches.columns.set": ("none",)})
    assert "set" not in _study(none)["catches"]["columns"]


def test_rates_are_asked_with_the_share_that_is_whole_times_the_nights(folder: Path) -> None:
    # Rates over 7 nights: 1/7, 3/7, and one that is no whole number of moths.
    rows = [
        "South,2021-05-01,0,7",
        "South,2021-05-08,0.142857,7",
        "South,2021-05-15,0.428571,7",
        "South,2021-05-22,0.2,7",
    ]
    _write(folder, _rows("trap,date,count,nights", rows))
    said = evidence(prepared(folder, {"study.species": ("borer",)}), "catches.unit")
    assert "3 of 4 numbers have decimals; the first is in row 3 (trap 'South', '2021-05-08')." in said
    assert "Times the nights of their interval, 2 of 3 are whole." in said
    answers = {"study.species": ("borer",), "catches.unit": ("moths per night",)}
    catches = _study(prepared(folder, answers))["catches"]
    assert (catches["unit"], catches["columns"]["nights"]) == ("moths per night", "nights")


def test_nights_of_rates_come_from_the_check_before(folder: Path) -> None:
    _write(
        folder,
        _rows("trap,date,count", ["South,2021-05-01,0", "South,2021-05-05,0.25", "South,2021-05-07,0.3"]),
    )
    # Four nights at 0.25 are one moth; two nights at 0.3 are 0.6 moths.
    assert "1 of 2 are whole" in evidence(prepared(folder, ANSWERS), "catches.unit")
    # A day of setting counts where it stands: two nights at 0.25 are half a moth.
    rows = ["South,,2021-05-01,0", "South,2021-05-03,2021-05-05,0.25", "South,,2021-05-09,0.5"]
    _write(folder, _rows("trap,set,date,count", rows))
    answers = {"study.species": ("borer",)}
    assert "1 of 2 are whole" in evidence(prepared(folder, answers), "catches.unit")
    # Nobody looked on 5 May, so that eight nights at 0.125 are one moth.
    _write(
        folder,
        _rows("trap,date,count", ["South,2021-05-01,0", "South,2021-05-05,", "South,2021-05-09,0.125"]),
    )
    assert "1 of 1 are whole" in evidence(prepared(folder, ANSWERS), "catches.unit")


def test_words_are_asked_one_by_one_and_declared(folder: Path) -> None:
    rows = ["South,2021-05-01,gone", "South,2021-05-08,2", "South,2021-05-15,n.d.", "South,2021-05-22,lost"]
    _write(folder, _rows("trap,date,count", rows))
    found = prepared(folder, ANSWERS)
    assert _open(found) == ["catches.word.gone", "catches.word.n.d."]
    assert "It is in 1 cells; the first is in row 4" in evidence(found, "catches.word.n.d.")
    answers = {**ANSWERS, "catches.word.gone": ("lost",), "catches.word.n.d.": ("not_checked",)}
    catches = _study(prepared(folder, answers))["catches"]
    assert set(catches["lost"]) >= {"gone", "lost"}  # the words known before keep their meaning
    assert "n.d." in catches["not_checked"]


def test_repeats_that_no_column_tells_apart_can_be_added_up(folder: Path) -> None:
    _write(
        folder, _rows("trap,date,count", ["South,2021-05-01,1", "South,2021-05-01,1", "South,2021-05-08,2"])
    )
    found = prepared(folder, ANSWERS)
    (question,) = found.questions
    assert question.name == "catches.duplicates"
    assert list(question.choices) == ["sum", "refuse"]
    assert "2 of them are the same as another in every cell." in question.evidence
    assert (
        _study(prepared(folder, {**ANSWERS, "catches.duplicates": ("sum",)}))["catches"]["duplicates"]
        == "sum"
    )


def test_species_are_chosen_and_checks_that_list_others_only_are_asked(folder: Path) -> None:
    rows = ["South,2021-05-01,a moth,1", "South,2021-05-08,b moth,1", "South,2021-05-15,a moth,2"]
    _write(folder, _rows("trap,date,species,count", rows))
    answers = {**ANSWERS, "study.species": ("a moth",)}
    found = prepared(folder, answers)
    assert _open(found) == ["catches.unlisted_species"]
    assert evidence(found, "catches.unlisted_species") == "1 checks list other species, but not 'a moth'."
    study = _study(prepared(folder, {**answers, "catches.unlisted_species": ("zero",)}))
    assert (study["study"]["species"], study["catches"]["unlisted_species"]) == ("a moth", "zero")


def test_a_season_over_new_year_is_asked_and_ends_before_it_starts(folder: Path) -> None:
    _write(folder, _rows("trap,date,count", ["South,2021-12-28,1", "South,2022-01-04,2"]))
    found = prepared(folder, ANSWERS)
    assert _open(found) == ["season.start"]
    assert "Checks by month: 1: 1, 12: 1." in evidence(found, "season.start")
    season = _study(prepared(folder, {**ANSWERS, "season.start": ("07-01",)}))["season"]
    assert season == {"start": "07-01", "end": "06-30"}
    with pytest.raises(DataError, match="season"):
        prepared(folder, {**ANSWERS, "season.start": ("31-12",)})


def test_merged_cells_are_asked(folder: Path) -> None:
    _write(
        folder,
        _rows(
            "trap,date,count",
            ["South,2021-05-01,1", ",2021-05-08,2", "North 1,2021-05-01,3", ",2021-05-08,0"],
        ),
    )
    found = prepared(folder, ANSWERS)
    assert _open(found) == ["catches.fill_down"]
    assert "2 cells of 'trap' are blank below a name; the first is in row 3." in evidence(
        found, "catches.fill_down"
    )
    assert _study(prepared(folder, {**ANSWERS, "catches.fill_down": ("trap",)}))["catches"]["fill_down"] == [
        "trap"
    ]


def test_days_of_the_year_need_a_year(folder: Path) -> None:
    _write(folder, _rows("trap,Year,DOY,count", ["South,2021,121,1", "South,2021,128,2"]))
    found = prepared(folder, ANSWERS)
    study = _study(found)
    assert study["catches"]["dates"] == "day-of-year"
    assert (study["catches"]["columns"]["date"], study["catches"]["columns"]["year"]) == ("DOY", "Year")


def test_days_without_a_year_take_it_from_a_column(folder: Path) -> None:
    rows = ["South,2021,05/01,1", "South,2021,05/08,2", "South,2021,05/15,0"]
    _write(folder, _rows("trap,Year,date,count", rows))
    catches = _study(prepared(folder, ANSWERS))["catches"]
    assert (catches["dates"], catches["columns"]["year"]) == ("month-first", "Year")
    _write(folder, _rows("trap,Year,date,count", rows[:2]))
    said = evidence(prepared(folder, ANSWERS), "catches.dates")
    assert "Read month-first, '05/01' is 1 May, and the rows are in order." in said
    assert "Read day-first, '05/01' is 5 January, and the rows are in order." in said
    _write(folder, _rows("trap,date,count", ["South,05/01,1", "South,05/15,2"]))
    with pytest.raises(DataError, match="no column can be the year"):
        prepared(folder, ANSWERS)


def test_rates_are_no_days_without_a_year(folder: Path) -> None:
    _write(folder, _rows("trap,date,count", ["South,2021-05-01,1.5", "South,2021-05-05,2.25"]))
    assert "catches.unit" in _open(prepared(folder, ANSWERS))


def test_day_numbers_of_a_spreadsheet_are_asked_with_both_readings(folder: Path) -> None:
    _write(folder, _rows("trap,date,count", ["South,44317,1", "South,44324,2"]))
    said = evidence(prepared(folder, ANSWERS), "catches.dates")
    # 44317 is 1 May 2021 in spreadsheets that count from 1900; the other epoch is 1462 days later.
    assert said == "Read serial-1900, '44317' is 1 May 2021. Read serial-1904, '44317' is 2 May 2025."


def test_a_unit_is_asked_where_the_year_is_not_whole(folder: Path) -> None:
    _write(folder, _rows("trap,date,count", ["South,2021-05-01,1", "South,2021-05-08,2"]))
    lines = (folder / "weather.csv").read_text("utf-8").splitlines()
    winter = [line for line in lines if "-01-" in line or "-02-" in line]
    (folder / "weather.csv").write_text(_rows(lines[0], winter), "utf-8")
    found = prepared(folder, ANSWERS)
    assert _open(found) == ["weather.unit"]
    assert "Of 2 months with temperatures" in evidence(found, "weather.unit")


def test_missing_codes_do_not_cool_the_warmest_month(folder: Path) -> None:
    _write(folder, _rows("trap,date,count", ["South,2021-05-01,1", "South,2021-05-08,2"]))
    text = (folder / "weather.csv").read_text("utf-8").splitlines()
    for i in range(150, 190):
        station, date, _, _ = text[i].split(",")
        text[i] = f"{station},{date},-9999,-9999"
    (folder / "weather.csv").write_text(_rows(text[0], text[1:]), "utf-8")
    assert _study(prepared(folder, ANSWERS))["weather"]["unit"] == "degC"


def test_positions_that_nobody_has_are_written_to_be_filled_in(folder: Path) -> None:
    _write(folder, _rows("trap,date,count", ["South,2021-05-01,1", "Hill,2021-05-08,2"]))
    (folder / "traps.csv").unlink()
    (folder / "stations.csv").unlink()
    found = prepared(folder, ANSWERS)
    assert list(found.files) == ["traps.csv", "stations.csv", "study.toml"]
    assert found.to_fill == ("traps.csv", "stations.csv")
    rows = list(csv.reader(io.StringIO(found.files["traps.csv"])))
    assert rows[1:] == [["South", "South", "", "", ""], ["Hill", "Hill", "", "", ""]]
    assert found.files["stations.csv"].splitlines()[1:] == ["S1,,,", "S2,,,"]


def test_positions_in_the_catches_become_a_trap_table(folder: Path) -> None:
    (folder / "traps.csv").unlink()
    rows = [
        "South,43.9,-98.1,2021-05-01,1",
        "North 1,44.1,-98.2,2021-05-01,0",
        "South,43.9,-98.1,2021-05-08,2",
    ]
    _write(folder, _rows("trap,lat,lon,date,count", rows))
    found = prepared(folder, ANSWERS)
    assert found.files["traps.csv"].splitlines() == [
        "trap,site,latitude,longitude,elevation_m",
        "South,South,43.9,-98.1,",
        "North 1,North 1,44.1,-98.2,",
    ]
    assert found.to_fill == ()


def test_a_new_table_never_takes_the_name_of_a_file(folder: Path) -> None:
    rows = [f"{trap},{lure},2021-05-0{day},1" for trap in file_sets.TRAPS for lure in "AB" for day in (1, 8)]
    _write(folder, _rows("trap,Lure,date,count", rows))
    found = prepared(folder, {**ANSWERS, "catches.duplicates": ("Lure",)})
    assert list(found.files) == ["traps-2.csv", "study.toml"]
    assert _study(found)["traps"]["file"] == "traps-2.csv"


def test_without_weather_the_service_is_offered_with_the_years_of_the_catches(folder: Path) -> None:
    _write(folder, _rows("trap,date,count", ["South,2019-05-01,1", "South,2021-05-08,2"]))
    (folder / "weather.csv").unlink()
    (folder / "stations.csv").unlink()
    assert _open(prepared(folder, ANSWERS)) == ["weather.service"]
    study = _study(prepared(folder, {**ANSWERS, "weather.service": ("meteostat",)}))
    assert study["weather"] == {"service": "meteostat", "years": [2019, 2021]}
    own = prepared(folder, {**ANSWERS, "weather.service": ("table",), "weather.unit": ("degF",)})
    assert own.to_fill == ("stations.csv", "weather.csv")


def test_heights_in_feet_are_not_read_as_metres(folder: Path) -> None:
    _write(folder, _rows("trap,date,count", ["South,2021-05-01,1", "South,2021-05-08,2"]))
    text = (folder / "traps.csv").read_text("utf-8").replace("elevation_m", "Elevation (ft)")
    (folder / "traps.csv").write_text(text, "utf-8")
    found = prepared(folder, ANSWERS)
    assert "elevation_m" not in _study(found)["traps"]["columns"]
    assert any("'Elevation (ft)' is in feet, so it is not used" in fact for fact in found.facts)


def test_which_table_is_what_is_told_from_names_that_tables_share(folder: Path) -> None:
    _write(folder, _rows("trap,date,count", ["South,2021-05-01,1", "North 1,2021-05-08,2"]))
    for name in ("traps", "stations"):
        text = (folder / f"{name}.csv").read_text("utf-8")
        header, rest = text.split("\n", 1)
        columns = header.split(",")
        (folder / f"{name}.csv").write_text(",".join(["name", *columns[1:]]) + "\n" + rest, "utf-8")
    (folder / "traps.csv").rename(folder / "a.csv")
    (folder / "stations.csv").rename(folder / "b.csv")
    study = _study(prepared(folder, ANSWERS))
    assert (study["traps"]["file"], study["weather"]["stations"]) == ("a.csv", "b.csv")


def test_two_tables_that_could_be_the_catches_are_asked(folder: Path) -> None:
    text = _rows("trap,date,count", ["South,2021-05-01,1", "South,2021-05-08,2"])
    _write(folder, text)
    (folder / "last year.csv").write_text(text, "utf-8")
    found = prepared(folder, ANSWERS)
    assert _open(found) == ["catches.file"]
    assert "last year.csv" in found.questions[0].choices


def test_dates_as_headers_are_a_wide_table(folder: Path) -> None:
    header = "trap,Notes,01.05.2021,08.05.2021,15.05.2021,Total"
    _write(folder, _rows(header, ["South,,1,2,,3", "North 1,bird,0,0,4,4"]))
    found = prepared(folder, ANSWERS)
    catches = _study(found)["catches"]
    assert catches["wide"] == {"headers": "date", "columns": "dates"}
    assert catches["columns"] == {"trap": "trap"}
    assert catches["dates"] == "day-first"
    assert any("in the first place in 1 column, such as '15.05.2021'" in fact for fact in found.facts)


def test_a_column_per_lure_makes_each_a_part_of_the_trap(folder: Path) -> None:
    rows = [f"{trap},2021-05-{day:02d},1,2" for trap in file_sets.TRAPS for day in (1, 8, 15)]
    _write(folder, _rows("trap,date,blue,red", rows))
    assert _open(prepared(folder, ANSWERS))[:1] == ["catches.wide.headers"]
    answers = {**ANSWERS, "catches.wide.headers": ("part",), "catches.wide.columns": ("blue", "red")}
    found = prepared(folder, answers)
    catches = _study(found)["catches"]
    assert catches["columns"] == {"date": "date", "trap": ["trap", "<header>"]}
    assert catches["wide"] == {"headers": "part", "columns": ["blue", "red"]}
    assert "South red,South,43.9,-98.1,395" in found.files["traps-2.csv"]


def test_a_count_column_that_is_no_known_trap_is_not_left_out_silently(folder: Path) -> None:
    rows = ["2021-05-01,1,2,5", "2021-05-08,0,3,4"]
    _write(folder, _rows("date,South,North 1,Noth 2", rows))
    found = prepared(folder, ANSWERS)
    assert _open(found) == ["catches.wide.columns"]
    assert evidence(found, "catches.wide.columns") == "No names of the trap table: 'Noth 2'."
    answers = {**ANSWERS, "catches.wide.columns": ("South", "North 1")}
    assert _study(prepared(folder, answers))["catches"]["wide"]["columns"] == ["South", "North 1"]


def test_a_species_beside_dates_as_headers_is_no_part_of_the_trap(folder: Path) -> None:
    rows = ["South,a moth,1,2,0", "South,b moth,4,5,6"]
    _write(folder, _rows("trap,Species,May 1 2021,May 8 2021,May 15 2021", rows))
    found = prepared(folder, {**ANSWERS, "study.species": ("a moth", "b moth")})
    study = _study(found)
    assert study["study"]["species"] == ["a moth", "b moth"]
    assert study["catches"]["columns"] == {"trap": "trap", "species": "Species"}


def test_blocks_of_years_are_asked(folder: Path) -> None:
    rows = ["2021,,,", "South,121,1,0", "South,128,2,3", "2022,,,", "South,120,0,0", "South,127,,1"]
    _write(folder, _rows("trap,DOY,blue,red", rows))
    answers = {**ANSWERS, "catches.wide.headers": ("part",), "catches.wide.columns": ("blue", "red")}
    found = prepared(folder, answers)
    assert "2 rows have a text in their first cell only; the first is row 2: '2021'." in evidence(
        found, "catches.wide.blocks"
    )
    catches = _study(prepared(folder, {**answers, "catches.wide.blocks": ("true",)}))["catches"]
    assert catches["wide"]["blocks"] is True
    assert catches["columns"]["year"] == "<block>"


@pytest.mark.parametrize("name", ["=1+1", "@trap", "+a"])
def test_a_name_that_is_a_formula_is_not_copied(name: str, folder: Path) -> None:
    (folder / "traps.csv").unlink()
    _write(folder, _rows("trap,date,count", [f"{name},2021-05-01,1", "South,2021-05-08,2"]))
    with pytest.raises(DataError, match="begins like a formula"):
        prepared(folder, ANSWERS)


def test_weather_without_a_station_is_refused(folder: Path) -> None:
    _write(folder, _rows("trap,date,count", ["South,2021-05-01,1", "South,2021-05-08,2"]))
    (folder / "weather.csv").write_text("date,tmin,tmax\n2021-05-01,3,12\n2021-05-02,4,14\n", "utf-8")
    with pytest.raises(DataError, match="Add a column 'station'"):
        prepared(folder, ANSWERS)


def test_a_lure_that_changes_within_a_trap_is_asked(folder: Path) -> None:
    rows = [
        "South,A,2021-05-01,1",
        "South,B,2021-05-08,2",
        "North 1,A,2021-05-01,0",
        "North 1,A,2021-05-08,1",
    ]
    _write(folder, _rows("trap,Lure_type,date,count", rows))
    found = prepared(folder, ANSWERS)
    assert _open(found) == ["catches.lures"]
    assert evidence(found, "catches.lures").startswith("1 of 2 traps have more than one;")
    own = prepared(folder, {**ANSWERS, "catches.lures": ("Lure_type",)})
    assert _study(own)["catches"]["columns"]["trap"] == ["trap", "Lure_type"]
    assert "South B,South,43.9,-98.1,395" in own.files["traps-2.csv"]
    assert (
        _study(prepared(folder, {**ANSWERS, "catches.lures": ("none",)}))["catches"]["columns"]["trap"]
        == "trap"
    )
    _write(
        folder,
        _rows("trap,Lure_type,date,count", [*rows[:1], "South,A,2021-05-08,2", "North 1,B,2021-05-08,1"]),
    )
    assert (
        "catches.csv: every trap has one 'Lure_type', so it need not be part of the name"
        in prepared(folder, ANSWERS).facts
    )


def test_columns_of_dates_are_compared_row_by_row(folder: Path) -> None:
    rows = ["South,05/01/2021,05/08/2021,1", "South,05/08/2021,05/15/2021,2"]
    _write(folder, _rows("trap,out,back,count", rows))
    said = evidence(prepared(folder, ANSWERS), "catches.columns.date")
    assert "Of 2 rows, 'out' lies before 'back': read month-first, in 2." in said


def test_questions_on_the_weather_do_not_wait_for_those_on_the_catches(folder: Path) -> None:
    _write(folder, _rows("trap,date,count", ["South,2021-05-01,1", "South,2021-05-08,"]))
    (folder / "weather.csv").unlink()
    assert _open(prepared(folder)) == ["catches.blank", "catches.start", "study.species", "weather.service"]
