"""Darwin Core occurrences out and in; the terms are those of TDWG's list for occurrences."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenofit.errors import DataError, ModelError
from phenofit.seasons import Season
from phenofit.traps import (
    TrapYears,
    build_trap_years,
    catches_of_species,
    read_darwin_core,
    split_events,
    to_darwin_core,
    write_darwin_core,
)
from phenofit.traps.darwin_core import read_event_date
from tests.traps.sheets import catches, trap_frame

SEASON = Season.parse("01-01", "10-31")


def example(folder: Path) -> TrapYears:
    table = catches(
        folder,
        "trap,set,date,count,effort\nA,2024-06-01,2024-06-08,0,2\nA,,2024-06-15 07:30,12,2\nA,,2024-06-22,>40,1\n"
        "B,2024-06-01,2024-06-08,T,1\nB,,2024-06-15,3,1\n",
    )
    return build_trap_years(trap_frame("A", "B", site="North"), table, SEASON)


def records(trap_years: TrapYears) -> pd.DataFrame:
    return to_darwin_core(
        trap_years,
        scientific_name="Exemplum inventum",
        sampling_protocol="delta trap",
        geodetic_datum="EPSG:4326",
        dataset="demo",
    )


def test_terms_hold_what_they_mean(tmp_path: Path) -> None:
    found = records(example(tmp_path))
    first, second, third = found.iloc[0], found.iloc[1], found.iloc[2]
    assert first["eventDate"] == "2024-06-01T12:00/2024-06-08T12:00"
    assert (first["occurrenceStatus"], first["individualCount"]) == ("absent", 0)
    assert first["samplingEffort"] == "14 trap-days"
    assert second["eventDate"] == "2024-06-08T12:00/2024-06-15T07:30"
    assert (second["occurrenceStatus"], second["individualCount"]) == ("present", 12)
    assert third["individualCount"] is pd.NA
    assert third["occurrenceRemarks"] == "at least 40 individuals, not all counted"
    assert found["occurrenceID"].is_unique
    assert (found["locality"] == "North").all()


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    before = example(tmp_path)
    path = tmp_path / "occurrence.csv"
    write_darwin_core(path, records(before))
    traps, table = read_darwin_core(path)
    after = build_trap_years(traps, table, SEASON)
    columns = ["trap", "site", "start", "end", "count", "status", "effort"]
    pd.testing.assert_frame_equal(after.intervals[columns], before.intervals[columns], check_dtype=False)
    assert after.years["latitude"].tolist() == before.years["latitude"].tolist()
    assert table["species"].unique().tolist() == ["Exemplum inventum"]


@pytest.mark.parametrize(
    ("text", "start", "end"),
    [
        ("2024-06-10", None, "2024-06-10T12:00"),
        ("2024-06-03/2024-06-10", "2024-06-03T12:00", "2024-06-10T12:00"),
        ("2024-06-03/10", "2024-06-03T12:00", "2024-06-10T12:00"),
        ("2024-06-28/07-05", "2024-06-28T12:00", "2024-07-05T12:00"),
        ("2024-02-29T06:15/2024-03-07T18:00:30", "2024-02-29T06:15", "2024-03-07T18:00:30"),
    ],
)
def test_event_dates_of_iso_8601(text: str, start: str | None, end: str) -> None:
    found = read_event_date(text)
    assert found[1] == np.datetime64(end)
    assert np.isnat(found[0]) if start is None else found[0] == np.datetime64(start)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("2024", "no single day"),
        ("2024-06", "no single day"),
        ("2024-161", "no single day"),
        ("2023-02-29", "no day of the calendar"),
        ("2024-06-10T07:30Z", "time zone"),
        ("2024-06-10T07:30+02:00", "time zone"),
        ("2024-06-10T25:00", "time of day"),
        ("2024-06-10/2024-06-03", "end after"),
        ("2024-06-01/2024-06-02/2024-06-03", "more than one"),
        ("10/06/2024", "more than one"),
        ("soon", "ISO 8601"),
    ],
)
def test_other_event_dates_are_refused(text: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        read_event_date(text)


def test_events_and_their_occurrences_are_written_and_read_again(tmp_path: Path) -> None:
    before = example(tmp_path)
    events, occurrences = split_events(records(before))
    # Terms of the event core and of its occurrences, as in the guide of the biodiversity facility's publishing tool.
    assert not set(events.columns) & set(occurrences.columns) - {"eventID"}
    assert {"eventID", "eventDate", "samplingProtocol", "sampleSizeValue", "sampleSizeUnit"} <= set(events)
    assert {"eventID", "occurrenceID", "basisOfRecord", "scientificName", "occurrenceStatus"} <= set(
        occurrences
    )
    write_darwin_core(tmp_path / "e.csv", events)
    write_darwin_core(tmp_path / "o.csv", occurrences.sample(frac=1, random_state=1))
    traps, table = read_darwin_core(tmp_path / "o.csv", events=tmp_path / "e.csv")
    own, notes = catches_of_species(table, "Exemplum inventum")
    assert notes == ()
    after = build_trap_years(traps, own, SEASON)
    columns = ["trap", "site", "start", "end", "count", "status", "effort", "row"]
    whole = read_darwin_core_of(tmp_path, before)
    pd.testing.assert_frame_equal(after.intervals[columns], whole.intervals[columns])


def read_darwin_core_of(folder: Path, trap_years: TrapYears) -> TrapYears:
    """Return trap-years written as one table of occurrences and read again."""
    write_darwin_core(folder / "one.csv", records(trap_years))
    traps, table = read_darwin_core(folder / "one.csv")
    return build_trap_years(traps, catches_of_species(table, "Exemplum inventum")[0], SEASON)


def test_an_event_without_the_species_means_what_is_declared(tmp_path: Path) -> None:
    events, occurrences = split_events(records(example(tmp_path)))
    write_darwin_core(tmp_path / "e.csv", events)
    write_darwin_core(tmp_path / "o.csv", occurrences[occurrences["occurrenceStatus"] == "present"])
    _, table = read_darwin_core(tmp_path / "o.csv", events=tmp_path / "e.csv")
    # Of five events one has a count of 0, which the occurrences no longer say.
    own, (note,) = catches_of_species(table, "Exemplum inventum")
    assert len(own) == 4
    assert note.startswith("1 checks list other species, but not 'Exemplum inventum': taken as not checked")
    zero, _ = catches_of_species(table, "Exemplum inventum", unlisted="zero")
    assert zero["count"].tolist() == [0.0, 12.0, 40.0, 1.0, 3.0]


def test_ids_that_do_not_fit_are_told(tmp_path: Path) -> None:
    (tmp_path / "e.csv").write_text(
        "eventID,eventDate,locationID,decimalLatitude,decimalLongitude\n"
        "1,2024-06-08,A,44,-98\n1,2024-06-15,A,44,-98\n,2024-06-22,A,44,-98\n",
        "utf-8",
    )
    (tmp_path / "o.csv").write_text(
        "eventID,scientificName,occurrenceStatus\n1,x,present\n2,x,present\n", "utf-8"
    )
    with pytest.raises(DataError) as caught:
        read_darwin_core(tmp_path / "o.csv", events=tmp_path / "e.csv")
    said = [(Path(p.file).name, p.row, p.finding) for p in caught.value.problems]
    assert said == [
        ("e.csv", 3, "the event '1' is a duplicate."),
        ("o.csv", 3, "the event '2' is not in the table of events."),
        ("e.csv", 4, "the event has no id."),
    ]


def test_every_fault_of_a_record_is_told(tmp_path: Path) -> None:
    path = tmp_path / "occurrence.csv"
    path.write_text(
        "eventDate,locationID,decimalLatitude,decimalLongitude,occurrenceStatus,individualCount\n"
        "2024-06,A,44,-98,present,1\n"
        "2024-06-08,A,44,-98,seen,1\n"
        "2024-06-15,A,44,-98,absent,3\n"
        "2024-06-22,A,44,-98,present,0\n"
        "2024-06-29,A,44,-98,present,2.5\n"
        "2024-06-29,B,x,-98,present,2\n"
        "2024-06-29,,44,-98,present,2\n"
        "2024-06-29,C,44,98,present,2\n"
        "2024-07-06,A,45,-98,present,2\n",
        encoding="utf-8",
    )
    with pytest.raises(DataError) as caught:
        read_darwin_core(path)
    assert [(p.row, p.column) for p in caught.value.problems] == [
        (2, "eventDate"),
        (3, "occurrenceStatus"),
        (4, "individualCount"),
        (5, "individualCount"),
        (6, "individualCount"),
        (7, "decimalLatitude"),
        (8, "locationID"),
        (9, "decimalLongitude"),
        (10, "locationID"),
    ]


def test_a_presence_without_a_number_is_not_a_count(tmp_path: Path) -> None:
    path = tmp_path / "occurrence.txt"
    path.write_text(
        "eventDate\tlocationID\tdecimalLatitude\tdecimalLongitude\toccurrenceStatus\n"
        "2024-06-01/08\tA\t44\t-98\tabsent\n2024-06-08/15\tA\t44\t-98\tpresent\n",
        encoding="utf-8",
    )
    _, table = read_darwin_core(path)
    assert table[["count", "status"]].values.tolist() == [[0.0, "counted"], [1.0, "present"]]


def test_the_datum_is_not_guessed(tmp_path: Path) -> None:
    with pytest.raises(ModelError, match="geodetic_datum"):
        to_darwin_core(
            example(tmp_path), scientific_name="x", sampling_protocol="delta trap", geodetic_datum=" "
        )
