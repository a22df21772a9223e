"""Starts of intervals, repeats, overlaps, words like numbers, and wide tables cell by cell."""

from __future__ import annotations

import csv
import io
from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from phenofit.errors import DataError, ModelError
from phenofit.files.text_table import TableFile, Wide
from phenofit.seasons import Season
from phenofit.traps import CountWords, catches_of_species, read_catches, read_traps
from phenofit.traps.forms import CatchFile, Selection, Subset


def read(folder: Path, text: str, *, encoding: str = "utf-8", **form: object) -> pd.DataFrame:
    """Read a catch table kept in a form; the keys of the reader are taken out of it."""
    (folder / "c.csv").write_text(text, encoding)
    keys = {
        name: form.pop(name)
        for name in ("columns", "dates", "words", "unit", "duplicates", "blank")
        if name in form
    }
    source = CatchFile(folder / "c.csv", **form)  # type: ignore[arg-type]
    return read_catches(source, **{"dates": "year-first", "blank": "not checked", **keys})  # type: ignore[arg-type]


def starts(table: pd.DataFrame) -> list[str]:
    return ["" if pd.isna(t) else f"{t:%m-%d %H}" for t in table["set"]]


TEXT = "trap,date,count,nights,set\nA,2024-06-08,1,,\nA,2024-06-15,2,3,\nA,2024-06-22,0,7,2024-06-15\n"


def test_the_start_is_the_set_date_else_the_nights_else_the_rule(tmp_path: Path) -> None:
    assert starts(read(tmp_path, TEXT)) == ["", "06-12 12", "06-15 12"]
    assert starts(read(tmp_path, TEXT, start="one night")) == ["06-07 12", "06-12 12", "06-15 12"]
    with pytest.raises(ModelError, match="start = 'dusk' is not accepted"):
        CatchFile("c.csv", start="dusk")


def test_a_set_date_rules_nights_that_differ_by_one(tmp_path: Path) -> None:
    text = "trap,date,count,nights,set\nA,2024-06-22,0,7,2024-06-16\n"
    assert starts(read(tmp_path, text)) == ["06-16 12"]


def test_years_of_a_subset_are_those_in_which_a_season_starts(tmp_path: Path) -> None:
    text = "trap,date,count\nA,2023-12-08,1\nA,2024-01-08,2\nA,2024-12-08,4\n"
    southern = Season.parse("10-01", "03-31")
    chosen = Selection(Subset(years=(2023,)), Subset(), southern)
    assert read(tmp_path, text, selection=chosen)["count"].tolist() == [1.0, 2.0]


def test_the_site_of_a_moved_trap_is_that_of_its_place_then(tmp_path: Path) -> None:
    where = pd.DataFrame(
        {
            "trap": ["A", "A@2024-06-10"],
            "device": ["A", "A"],
            "site": ["old", "new"],
            "valid_from": [pd.NaT, pd.Timestamp("2024-06-10")],
        }
    )
    text = "trap,date,count\nA,2024-06-08,1\nA,2024-06-10,2\nA,2024-06-15,4\n"
    chosen = Selection(Subset(), Subset(sites=("old",)), Season.parse("01-01", "12-31"), where)
    # The check on the day of the move empties the trap where it stood before.
    assert read(tmp_path, text, selection=chosen)["count"].tolist() == [4.0]


def test_nights_that_are_not_those_of_the_dates_are_refused(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="the nights '3' are not those between") as caught:
        read(tmp_path, TEXT.replace("0,7,", "0,3,"))
    assert [(p.row, p.column) for p in caught.value.problems] == [(4, "nights")]
    # The nights of a rate multiply it; the trap may have stood idle for the others.
    text = "trap,date,count,nights,set\nA,2024-06-08,1.5,2,2024-06-01\n"
    assert read(tmp_path, text, unit="moths per night")["count"].tolist() == [3.0]


def test_one_night_is_the_night_of_a_rate(tmp_path: Path) -> None:
    text = "trap,date,count\nA,2024-06-08,3\nA,2024-06-15,5\n"
    found = read(tmp_path, text, unit="moths per night", start="one night")
    assert found["count"].tolist() == [3.0, 5.0]
    assert starts(found) == ["06-07 12", "06-14 12"]


@pytest.mark.parametrize("bad", ["2024-06-08", "2024-06-09"])
def test_reversed_and_empty_intervals_are_refused(bad: str, tmp_path: Path) -> None:
    with pytest.raises(DataError, match="not before its check on 2024-06-08"):
        read(tmp_path, f"trap,date,count,set\nA,2024-06-08,1,{bad}\n")


def test_overlaps_are_refused_or_cut(tmp_path: Path) -> None:
    text = "trap,date,count,nights\nA,2024-06-08,1,7\nA,2024-06-10,2,7\nB,2024-06-10,2,7\nA,2024-06-17,2,7\n"
    with pytest.raises(DataError, match='overlaps = "cut"') as caught:
        read(tmp_path, text)
    assert [p.row for p in caught.value.problems] == [3]
    found = read(tmp_path, text, overlaps="cut")
    assert starts(found) == ["06-01 12", "06-08 12", "06-10 12", "06-03 12"]
    assert (
        "1 intervals cut to begin where the earlier one of their trap ends (rows 3)." in found.attrs["notes"]
    )


def test_identical_rows_are_left_out_and_others_refused(tmp_path: Path) -> None:
    text = "trap,date,count,by\nA,2024-06-08,4,X\nA,2024-06-15,2,X\nA,2024-06-08,4,X\nB,2024-06-08,,X\nB,2024-06-08,,X\n"
    found = read(tmp_path, text)
    assert found["row"].tolist() == [2, 3, 5]
    (a, b) = found.attrs["left_out"]
    assert (a.reason, a.trap, a.rows, a.lines, a.moths) == ("the same row again", "A", 1, "4", 4)
    assert (b.trap, b.rows, b.moths) == ("B", 1, 0)
    assert "2 rows are identical to another and left out (rows 4, 6)." in found.attrs["notes"]
    # A cell of any column, also one that is not read, makes them different rows.
    with pytest.raises(DataError, match=r"checked twice on 2024-06-08 \(also row 2\)"):
        read(tmp_path, text.replace("A,2024-06-08,4,X\nB", "A,2024-06-08,4,Y\nB"))
    assert read(tmp_path, text, duplicates="sum")["count"].tolist()[:2] == [8.0, 2.0]


def test_lures_that_differ_are_named(tmp_path: Path) -> None:
    text = "trap,date,count,lure\nA,2024-06-08,4,old\nA,2024-06-15,2,new\nB,2024-06-08,1,old\nB,2025-06-08,1,new\n"
    (note,) = read(tmp_path, text).attrs["notes"]
    assert note == (
        "1 traps change their lure within a year (rows 3), such as 'A' from 'old' to 'new' in row 3."
    )
    with pytest.raises(DataError, match=r'The lures differ: .* trap = \["trap", "lure"\]'):
        read(tmp_path, "trap,date,count,lure\nA,2024-06-08,4,old\nA,2024-06-08,2,new\n")


def test_a_word_that_looks_like_a_number_is_the_word(tmp_path: Path) -> None:
    words = CountWords(present=("0.1",), lost=("99",), zero=("-9",))
    text = "trap,date,count\nA,2024-06-08,0.1\nA,2024-06-15,99\nA,2024-06-22,-9\nA,2024-06-29,98\n"
    found = read(tmp_path, text, words=words)
    assert found["status"].tolist() == ["present", "lost", "counted", "counted"]
    assert found["count"].tolist()[2:] == [0.0, 98.0]
    rates = read(tmp_path, text.replace(",98", ",2"), words=words, unit="moths per night", start="one night")
    assert rates["status"].tolist() == ["present", "lost", "counted", "counted"]


def test_encodings_are_declared_or_told(tmp_path: Path) -> None:
    text = "Köder;date;count\nrot;2024-06-08;1\n"
    (tmp_path / "c.csv").write_bytes(text.encode("latin-1"))
    source = CatchFile(tmp_path / "c.csv", "latin-1")
    found = read_catches(source, dates="year-first", blank="zero", columns={"trap": "Köder"})
    assert found["trap"].tolist() == ["rot"]
    with pytest.raises(DataError, match='declare its encoding, such as encoding = "windows-1252"'):
        read_catches(tmp_path / "c.csv", dates="year-first", blank="zero")
    with pytest.raises(DataError, match="the encoding 'koi8' is not known"):
        read_catches(TableFile(tmp_path / "c.csv", "koi8"), dates="year-first", blank="zero")


# --- wide tables ------------------------------------------------------------------------------------------


def test_a_fault_in_a_wide_table_names_its_cell(tmp_path: Path) -> None:
    text = "trap,2024-06-08,2024-06-15\nA,1,many\nB,2,3\nA,5,6\n"
    with pytest.raises(DataError) as caught:
        read(tmp_path, text, wide=Wide("date"))
    said = [(p.row, p.column, p.finding) for p in caught.value.problems]
    assert said[0] == (2, "2024-06-15", "'many' is not a count.")
    assert said[1] == (
        4,
        "2024-06-08",
        "trap 'A' is checked twice on 2024-06-08 (also row 2, column '2024-06-08').",
    )
    with pytest.raises(DataError) as caught:
        read(tmp_path, text.replace("06-15", "06-31").replace("many", "4"), wide=Wide("date"))
    assert [(p.row, p.column) for p in caught.value.problems if "calendar" in p.finding] == [
        (1, "2024-06-31")
    ]


def test_a_header_in_another_order_is_not_passed_over(tmp_path: Path) -> None:
    text = "trap,6/1/2024,6/8/2024,15/6/2024\nA,1,2,3\n"
    with pytest.raises(DataError, match="'15/6/2024' is no day of the calendar"):
        read(tmp_path, text, wide=Wide("date"), dates="month-first")


def test_columns_that_are_left_out_are_counted_but_totals_are_no_moths(tmp_path: Path) -> None:
    text = "date,A,B,Total,\n2024-06-08,1,4,5,x\n2024-06-15,2,,2,\nTotal,3,4,7,\n"
    found = read(tmp_path, text, wide=Wide("trap", leave_out=("B",)))
    assert found[["trap", "count"]].to_numpy().tolist() == [["A", 1.0], ["A", 2.0]]
    (one,) = found.attrs["left_out"]
    assert (one.reason, one.trap, one.rows, one.lines, one.moths) == ("column left out", "B", 1, "2", 4)
    notes = " ".join(found.attrs["notes"])
    assert "column 'Total' left out (2 filled cells of totals)" in notes
    assert "column 5, which has no name, left out (1 filled cell)" in notes
    assert "1 row of totals left out (row 4)" in notes


def test_a_column_of_sums_by_another_name_holds_no_moths(tmp_path: Path) -> None:
    text = "date,A,B,Alle\n2024-06-08,1,4,5\n2024-06-15,2,,2\n"
    found = read(tmp_path, text, wide=Wide("trap", leave_out=("Alle",)))
    assert found.attrs["left_out"] == ()
    assert "column 'Alle' left out (2 filled cells of totals)." in found.attrs["notes"]
    found = read(tmp_path, text.replace(",,2", ",,3"), wide=Wide("trap", leave_out=("Alle",)))
    assert [one.moths for one in found.attrs["left_out"]] == [8]


def test_a_name_to_leave_out_that_nothing_bears_is_refused(tmp_path: Path) -> None:
    text = "date,A,Sum of all\n2024-06-08,1,5\n"
    with pytest.raises(DataError, match="'Sum' in leave_out is no column"):
        read(tmp_path, text, wide=Wide("trap", leave_out=("Sum",)))
    assert read(tmp_path, text, wide=Wide("trap", leave_out=("sum of  ALL",)))["trap"].tolist() == ["A"]


def test_what_is_left_out_belongs_to_its_species_or_to_all(tmp_path: Path) -> None:
    text = "date,species,A,B\n2024-06-08,x,1,4\n2024-06-08,x,1,4\n2024-06-15,y,2,8\n"
    found = read(tmp_path, text, wide=Wide("trap", leave_out=("B",)))
    own, _ = catches_of_species(found, "X")
    said = [(one.reason, one.species, one.moths) for one in own.attrs["left_out"]]
    assert said == [("column left out", "", 16), ("the same row again", "x", 1)]
    other, _ = catches_of_species(found, "y")
    assert [one.moths for one in other.attrs["left_out"]] == [16]


def test_several_species_as_columns(tmp_path: Path) -> None:
    text = "trap,date,red moth,blue moth\nA,2024-06-08,1,4\nA,2024-06-15,2,5\n"
    found = read(tmp_path, text, wide=Wide("species"))
    assert found.groupby("species")["count"].sum().to_dict() == {"red moth": 3.0, "blue moth": 9.0}


def test_blocks_with_texts_and_repeated_headers(tmp_path: Path) -> None:
    text = "Date,n\nA\n2024-06-08,1\nDate,n\n2024-06-15,2\nnobody was here\nB\n2024-06-08,3\nfootnote\n"
    found = read(
        tmp_path,
        text.replace("A\n", "A,\n").replace("B\n", "B,\n"),
        wide=Wide(blocks=True),
        columns={"trap": "<block>", "date": "Date", "count": "n"},
    )
    assert found[["trap", "count"]].to_numpy().tolist() == [["A", 1.0], ["A", 2.0], ["B", 3.0]]
    notes = " ".join(found.attrs["notes"])
    assert "texts that begin no rows skipped (row 6: 'nobody was here'; row 9: 'footnote')" in notes
    assert "1 repeated header skipped (row 4)" in notes


@given(st.lists(st.lists(st.integers(0, 50), min_size=3, max_size=3), min_size=1, max_size=5), st.booleans())
def test_no_moth_is_lost_or_made_by_a_wide_table(cells: list[list[int]], total: bool) -> None:
    days = ["2024-06-08", "2024-06-15", "2024-06-22"]
    text = io.StringIO()
    out = csv.writer(text, lineterminator="\n")
    out.writerow(["trap", *days, *(["Total"] if total else [])])
    for i, row in enumerate(cells):
        out.writerow([f"T{i}", *row, *([sum(row)] if total else [])])
    with TemporaryDirectory() as folder:
        found = read(Path(folder), text.getvalue(), wide=Wide("date"))
    got = Counter(
        zip(found["trap"], found["check"].dt.strftime("%Y-%m-%d"), found["count"].astype(int), strict=True)
    )
    assert got == Counter(
        (f"T{i}", day, n) for i, row in enumerate(cells) for day, n in zip(days, row, strict=True)
    )


def test_a_trap_table_is_read_from_a_declared_encoding(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_bytes("trap,latitude,longitude,Ort\nA,44,-98,Köln\n".encode("latin-1"))
    assert read_traps(TableFile(tmp_path / "t.csv", "latin-1"))["Ort"].tolist() == ["Köln"]
