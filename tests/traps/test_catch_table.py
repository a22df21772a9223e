"""The catch table: dates, counts and words."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenofit.errors import DataError, ModelError
from phenofit.traps import CountWords
from tests.traps.sheets import catches


def test_a_plain_table(tmp_path: Path) -> None:
    found = catches(tmp_path, "trap,date,count\nB,2024-06-08,3\nA,2024-06-01,0\nA,2024-06-08 07:30,5\n")
    assert list(found.columns) == ["trap", "set", "check", "count", "status", "effort", "row"]
    assert found["trap"].tolist() == ["A", "A", "B"]
    # A check without a time of day is taken at midday (common practice, no source).
    expected = ["2024-06-01T12:00", "2024-06-08T07:30", "2024-06-08T12:00"]
    assert (found["check"].to_numpy() == np.array(expected, dtype="datetime64[ns]")).all()
    assert found["row"].tolist() == [3, 4, 2]
    assert found["set"].isna().all()
    assert found["effort"].tolist() == [1.0, 1.0, 1.0]


def test_the_hour_of_a_check_is_a_setting(tmp_path: Path) -> None:
    found = catches(tmp_path, "trap,date,count\nA,2024-06-01,0\n", hour=6.5)
    assert found["check"][0] == pd.Timestamp("2024-06-01 06:30")


def test_the_check_column_may_be_called_check(tmp_path: Path) -> None:
    by_name = catches(tmp_path, "trap,check,count\nA,2024-06-01,4\n")
    mapped = catches(tmp_path, "trap,seen,count\nA,2024-06-01,4\n", columns={"check": "seen"})
    assert by_name["check"][0] == mapped["check"][0] == pd.Timestamp("2024-06-01 12:00")


def test_a_trap_may_be_named_by_several_columns(tmp_path: Path) -> None:
    found = catches(
        tmp_path, "plot,lure,date,count\n7,red,2024-06-01,4\n", columns={"trap": ["plot", "lure"]}
    )
    assert found["trap"].tolist() == ["7 red"]


@pytest.mark.parametrize("bad", [{"dates": "guess"}, {"blank": "skip"}, {"duplicates": "drop"}])
def test_settings_that_are_not_words_of_ours_are_refused(tmp_path: Path, bad: dict[str, str]) -> None:
    with pytest.raises(ModelError, match=next(iter(bad.values()))):
        catches(tmp_path, "trap,date,count\nA,2024-06-01,0\n", **bad)


def test_the_leap_day_is_a_day(tmp_path: Path) -> None:
    found = catches(tmp_path, "trap,date,count\nA,2024-02-29,1\nA,2024-12-28,1\nA,2023-12-29,2\n")
    assert found["check"].dt.strftime("%m-%d").tolist() == ["12-29", "02-29", "12-28"]
    with pytest.raises(DataError, match="2023-02-29"):
        catches(tmp_path, "trap,date,count\nA,2023-02-29,1\n")


def test_dates_are_read_in_the_declared_order_only(tmp_path: Path) -> None:
    text = "trap,date,count\nA,03/05/2024,1\nA,10/05/2024,2\n"
    day_first = catches(tmp_path, text, dates="day-first")["check"]
    month_first = catches(tmp_path, text, dates="month-first")["check"]
    assert day_first.dt.strftime("%m-%d").tolist() == ["05-03", "05-10"]
    assert month_first.dt.strftime("%m-%d").tolist() == ["03-05", "10-05"]
    with pytest.raises(DataError, match="year-first"):
        catches(tmp_path, text, dates="year-first")


def test_a_date_that_disproves_the_order_is_named(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="17/05/2024") as caught:
        catches(tmp_path, "trap,date,count\nA,03/05/2024,1\nA,17/05/2024,2\n", dates="month-first")
    assert [p.row for p in caught.value.problems] == [3]


def test_an_order_under_which_checks_run_backwards_is_stopped(tmp_path: Path) -> None:
    text = "trap,date,count\nA,11/05/2024,1\nA,02/06/2024,2\nB,04/06/2024,2\nB,11/06/2024,2\n"
    with pytest.raises(DataError, match="Declare the dates day-first") as caught:
        catches(tmp_path, text, dates="month-first")
    assert [p.row for p in caught.value.problems] == [3]
    assert len(catches(tmp_path, text, dates="day-first")) == 4


def test_two_digit_years_are_written_out_and_counted(tmp_path: Path) -> None:
    found = catches(
        tmp_path, "trap,date,count\nA,7/9/20,1\nA,7/16/20 08:00,2\nB,12/31/99,0\n", dates="month-first"
    )
    assert found["check"].dt.strftime("%Y-%m-%d %H").tolist() == [
        "2020-07-09 12",
        "2020-07-16 08",
        "1999-12-31 12",
    ]
    assert any("3 dates with a two-digit year" in note for note in found.attrs["notes"])
    with pytest.raises(DataError, match="24-05-03"):
        catches(tmp_path, "trap,date,count\nA,24-05-03,1\n")


def test_a_byte_order_mark_and_blanks_in_the_header(tmp_path: Path) -> None:
    path = tmp_path / "c.csv"
    path.write_bytes(b"\xef\xbb\xbf Date ,\xc2\xa0COUNT,Trap\n2024-06-01,3,A\n")
    from phenofit.traps import read_catches

    found = read_catches(path, dates="year-first", blank="zero")
    assert found["count"].tolist() == [3.0]


def test_semicolons_with_decimal_commas(tmp_path: Path) -> None:
    found = catches(
        tmp_path, "trap;date;count;effort\nA;01.05.2024;7;1,5\nA;08.05.2024;13;2\n", dates="day-first"
    )
    assert found["effort"].tolist() == [1.5, 2.0]
    assert found["count"].tolist() == [7.0, 13.0]
    with pytest.raises(DataError, match="1,3"):
        catches(tmp_path, "trap;date;count\nA;01.05.2024;1,3\n", dates="day-first")


def test_nothing_is_dropped_from_a_count_column(tmp_path: Path) -> None:
    text = "trap,date,count\nA,2024-06-01,3\nA,2024-06-08,>100\nA,2024-06-15,T\nA,2024-06-22,-\nA,2024-06-29,12 \n"
    with pytest.raises(DataError) as caught:
        catches(tmp_path, text)
    (problem,) = caught.value.problems
    assert (problem.row, problem.column) == (5, "count")
    assert "'-'" in problem.finding
    found = catches(tmp_path, text, words=CountWords(not_checked=("-",)))
    assert found["status"].tolist() == ["counted", "at least", "present", "missing", "counted"]
    assert found["count"].tolist()[:3] == [3.0, 100.0, 1.0]


def test_blank_and_zero_stay_apart(tmp_path: Path) -> None:
    text = "trap,date,count\nA,2024-06-01,0\nA,2024-06-08,\nA,2024-06-15,4\n"
    assert catches(tmp_path, text)["status"].tolist() == ["counted", "missing", "counted"]
    as_zero = catches(tmp_path, text, blank="zero")
    assert as_zero["status"].tolist() == ["counted", "counted", "counted"]
    assert as_zero["count"].tolist() == [0.0, 0.0, 4.0]


def test_merged_trap_cells_and_a_footnote(tmp_path: Path) -> None:
    text = "trap,date,count\nA,2024-06-01,1\n,2024-06-08,\n,2024-06-15,4\n,,\nchecked by JB,,\n"
    with pytest.raises(DataError, match="names no trap"):
        catches(tmp_path, text)
    found = catches(tmp_path, text, fill=["trap"])
    assert found["trap"].tolist() == ["A", "A", "A"]
    assert found["status"].tolist() == ["counted", "missing", "counted"]  # counts are never filled
    notes = " ".join(found.attrs["notes"])
    assert "checked by JB" in notes
    assert "row 5" in notes
    assert "2 blank 'trap' cells filled" in notes
    with pytest.raises(ModelError, match="count"):
        catches(tmp_path, text, fill=["count"])


def test_repeated_dates_are_named_after_sorting(tmp_path: Path) -> None:
    text = "trap,date,count\nA,2024-05-03,1\nA,2024-05-01,2\nA,2024-05-03,4\n"
    with pytest.raises(DataError, match="twice on 2024-05-03") as caught:
        catches(tmp_path, text)
    assert [p.row for p in caught.value.problems] == [4]
    assert 'set duplicates = "sum"' in caught.value.problems[0].remedy
    found = catches(tmp_path, text, duplicates="sum")
    assert found["count"].tolist() == [2.0, 5.0]
    assert found["effort"].tolist() == [1.0, 2.0]
    assert any("1 rows added" in note and "(4)" in note for note in found.attrs["notes"])


@pytest.mark.parametrize(
    ("second", "status", "count"), [("", "missing", None), ("lost", "lost", None), (">9", "at least", 12.0)]
)
def test_a_sum_is_no_more_exact_than_its_parts(
    tmp_path: Path, second: str, status: str, count: float | None
) -> None:
    found = catches(tmp_path, f"trap,date,count\nA,2024-05-03,3\nA,2024-05-03,{second}\n", duplicates="sum")
    assert found["status"].tolist() == [status]
    told = "3 moths are not used" in " ".join(found.attrs["notes"])
    assert told == (count is None)
    assert np.isnan(found["count"][0]) if count is None else found["count"][0] == count


def test_a_status_column_rules_the_count(tmp_path: Path) -> None:
    found = catches(
        tmp_path,
        "trap,date,count,status\nA,2024-06-01,2,ok\nA,2024-06-08,0,lost\nA,2024-06-15,,present\nA,2024-06-22,0,\n",
    )
    assert found["status"].tolist() == ["counted", "lost", "present", "counted"]
    with pytest.raises(DataError) as caught:
        catches(
            tmp_path, "trap,date,count,status\nA,2024-06-01,2,lost\nA,2024-06-08,1,eaten\nA,2024-06-15,,ok\n"
        )
    assert [(p.row, p.column) for p in caught.value.problems] == [(2, "status"), (3, "status"), (4, "count")]


@pytest.mark.parametrize(
    ("count", "status", "found"),
    [
        ("0", "present", None),
        ("lost", "present", None),
        ("not checked", "present", None),
        ("", "present", (1.0, "present")),
        ("4", "present", (4.0, "counted")),
        ("1", "none", None),
        (">1", "none", None),
        ("", "none", (0.0, "counted")),
        ("0", "none", (0.0, "counted")),
        ("1", "lost", None),
        ("T", "lost", None),
        ("lost", "ok", None),
        ("not checked", "ok", None),
    ],
)
def test_a_status_never_changes_a_count(
    tmp_path: Path, count: str, status: str, found: tuple[float, str] | None
) -> None:
    text = f"trap,date,count,status\nA,2024-06-01,{count},{status}\n"
    words = CountWords(zero=("none",))
    if found is not None:
        table = catches(tmp_path, text, words=words)
        assert (table["count"].item(), table["status"].item()) == found
        return
    with pytest.raises(DataError, match=r"contradicts the count|there is no count") as caught:
        catches(tmp_path, text, words=words)
    assert [p.row for p in caught.value.problems] == [2]


def test_a_status_contradicts_a_blank_that_means_zero_only_where_moths_were_seen(tmp_path: Path) -> None:
    text = "trap,date,count,status\nA,2024-06-01,,present\nA,2024-06-08,,lost\nA,2024-06-15,,\n"
    found = catches(tmp_path, text, blank="zero")
    assert found["status"].tolist() == ["present", "lost", "counted"]


@pytest.mark.parametrize("year", [1749, 2201, 2262, 9999])
def test_a_year_that_no_catch_can_have_is_named_with_its_row(tmp_path: Path, year: int) -> None:
    # A clock in nanoseconds ends on 11 April 2262 (computed: 2**63 nanoseconds after 1970).
    with pytest.raises(DataError, match="outside the years 1750 to 2200") as caught:
        catches(tmp_path, f"trap,date,count\nA,2024-06-01,1\nA,{year}-06-08,1\n")
    assert [(p.row, p.column) for p in caught.value.problems] == [(3, "date")]


def test_the_first_and_the_last_year_are_accepted(tmp_path: Path) -> None:
    found = catches(tmp_path, "trap,date,count\nA,1750-01-01,1\nA,2200-12-31,1\n")
    assert found["check"].dt.year.tolist() == [1750, 2200]


def test_intervals_must_run_forwards_without_overlap(tmp_path: Path) -> None:
    with pytest.raises(DataError) as caught:
        catches(
            tmp_path,
            "trap,set,date,count\nA,2024-06-01,2024-06-08,1\nA,2024-06-07,2024-06-15,1\nA,2024-06-30,2024-06-22,1\n",
        )
    first, second = caught.value.problems
    assert (first.row, second.row) == (3, 4)
    assert "overlaps" in first.finding
    assert "not before its check" in second.finding


def test_species_are_told_apart(tmp_path: Path) -> None:
    text = "trap,date,count,species\nA,2024-06-01,1,Red moth\nA,2024-06-01,2,blue moth\nA,2024-06-08,4,red  moth\n"
    found = catches(tmp_path, text, species="red moth")
    assert found["count"].tolist() == [1.0, 4.0]
    assert any("1 rows of other species" in note for note in found.attrs["notes"])
    assert len(catches(tmp_path, text)) == 3
    with pytest.raises(DataError, match="no row is of species 'green moth'"):
        catches(tmp_path, text, species="green moth")


@pytest.mark.parametrize("header", ["trap,year,count", "trap,date,count"])
def test_season_totals_are_refused(tmp_path: Path, header: str) -> None:
    with pytest.raises(DataError, match="no timing"):
        catches(tmp_path, f"{header}\nA,2023,120\nA,2024,88\n")


def test_effort_must_be_above_zero(tmp_path: Path) -> None:
    with pytest.raises(DataError) as caught:
        catches(tmp_path, "trap,date,count,effort\nA,2024-06-01,1,0\nA,2024-06-08,1,two\nA,2024-06-15,1,\n")
    assert [(p.row, p.column) for p in caught.value.problems] == [(2, "effort"), (3, "effort")]


def test_all_faults_of_a_table_are_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(DataError) as caught:
        catches(
            tmp_path,
            "trap,set,date,count\nA,2024-06-01,2024-06-32,1\n,2024-06-01,2024-06-08,1\nB,soon,2024-06-08,many\n",
        )
    assert [(p.row, p.column) for p in caught.value.problems] == [
        (2, "date"),
        (3, "trap"),
        (4, "set"),
        (4, "count"),
    ]
