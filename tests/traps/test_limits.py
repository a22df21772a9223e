"""Limits of the field tables at their value: the last thing accepted, and the first one that is not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenofit.errors import DataError
from phenofit.seasons import Season
from phenofit.traps.count_cells import LARGEST_COUNT, UnreadableCount, read_count
from phenofit.traps.intervals import check_intervals
from phenofit.traps.positions import position_problems
from phenofit.traps.sheet_cells import row_text
from tests.traps.sheets import catches, traps

NORTH = Season.parse("04-01", "10-31")

Row = tuple[str, str, str, float, str]


def table(*rows: Row) -> pd.DataFrame:
    """Return a typed catch table of rows (trap, set, check, count, status); the file has them from line 2 on."""
    frame = pd.DataFrame(rows, columns=["trap", "set", "check", "count", "status"])
    frame["set"] = pd.to_datetime(frame["set"].replace("", None), format="ISO8601")
    frame["check"] = pd.to_datetime(frame["check"], format="ISO8601")
    return frame.assign(effort=1.0 + np.arange(len(frame)), row=np.arange(2, len(frame) + 2))


def cut(*rows: Row, **limits: float) -> tuple[list[tuple[str, str, int]], dict[int, str]]:
    """Return the intervals as (start, end, count), and the reason of each line that is left out."""
    kept, out = check_intervals(table(*rows), NORTH, **limits)
    spans = [
        (str(a)[:19], str(b)[:19], int(c))
        for a, b, c in zip(kept["start"], kept["end"], kept["count"], strict=True)
    ]
    return spans, dict(zip(out["row"].tolist(), out["reason"].tolist(), strict=True))


@pytest.mark.parametrize(("second", "kept"), [("00", True), ("01", False)])
def test_the_longest_interval_is_accepted_at_its_length(second: str, kept: bool) -> None:
    spans, out = cut(
        ("A", "", "2024-06-01 12:00:00", 0, "counted"),
        ("A", "", f"2024-06-22 12:00:{second}", 3, "counted"),
        longest_interval_days=21,
    )
    assert (out.get(3) == "too long") is not kept
    assert len(spans) == kept


@pytest.mark.parametrize(("hour", "kept"), [("12:00", True), ("12:01", False)])
def test_a_longest_interval_of_half_a_day_and_one_from_a_set_date(hour: str, kept: bool) -> None:
    spans, out = cut(("A", "2024-06-01 00:00", f"2024-06-03 {hour}", 3, "counted"), longest_interval_days=2.5)
    assert spans == ([("2024-06-01 00:00:00", "2024-06-03 12:00:00", 3)] if kept else [])
    assert out == ({} if kept else {2: "too long"})


@pytest.mark.parametrize(
    ("check", "reason"), [("2024-04-08 00:00:00", ""), ("2024-04-07 23:59:59", "before")]
)
def test_a_first_interval_may_begin_with_the_season_and_not_before_it(check: str, reason: str) -> None:
    spans, out = cut(("A", "", check, 3, "counted"), first_interval_days=7)
    assert spans == ([] if reason else [("2024-04-01 00:00:00", "2024-04-08 00:00:00", 3)])
    assert out == ({2: reason} if reason else {})


def test_a_first_interval_has_the_length_it_is_given() -> None:
    spans, _ = cut(("A", "", "2024-06-08 12:00", 3, "counted"), first_interval_days=1.25)
    assert spans == [("2024-06-07 06:00:00", "2024-06-08 12:00:00", 3)]
    # It counts for the longest interval like any other.
    row = ("A", "", "2024-06-08 12:00", 3.0, "counted")
    assert cut(row, first_interval_days=7, longest_interval_days=7)[1] == {}
    assert cut(row, first_interval_days=7.1, longest_interval_days=7)[1] == {2: "too long"}


@pytest.mark.parametrize(
    ("start", "reason"), [("2024-04-01 00:00:00", ""), ("2024-03-31 23:59:59", "before")]
)
def test_a_set_date_may_be_the_season_s_first_moment(start: str, reason: str) -> None:
    row = ("A", start, "2024-04-05 12:00", 3.0, "counted")
    for limits in (
        {},
        {"first_interval_days": 2.0},
    ):  # a set date is known: no first interval stands in for it
        assert cut(row, **limits)[1] == ({2: reason} if reason else {})


def test_the_last_check_of_a_season_before_is_no_start_unless_it_lies_in_the_season() -> None:
    winter = ("A", "", "2023-10-30 12:00", 1.0, "counted")
    first = ("A", "", "2024-04-05 12:00", 3.0, "counted")
    assert cut(winter, first)[1] == {2: "no start", 3: "no start"}
    spans, out = cut(winter, first, first_interval_days=2)
    assert spans == [
        ("2023-10-28 12:00:00", "2023-10-30 12:00:00", 1),
        ("2024-04-03 12:00:00", "2024-04-05 12:00:00", 3),
    ]
    assert out == {}
    # A check at the very moment at which the season begins is the start of the interval after it.
    spans, out = cut(("A", "", "2024-04-01 00:00", 1.0, "counted"), first)
    assert spans == [("2024-04-01 00:00:00", "2024-04-05 12:00:00", 3)]
    assert out == {2: "no start"}


@pytest.mark.parametrize(
    ("check", "reason"),
    [("2024-10-31 23:59:59", ""), ("2024-11-01 00:00:00", "outside"), ("2024-03-31 23:59:59", "outside")],
)
def test_a_check_belongs_to_the_season_through_its_last_day(check: str, reason: str) -> None:
    spans, out = cut(("A", "2024-10-30 12:00", check, 3.0, "counted"))
    assert out == ({2: reason} if reason else {})
    assert len(spans) == (not reason)


def test_a_trap_does_not_stand_since_a_check_of_another_one() -> None:
    spans, out = cut(
        ("A", "", "2024-06-01", 1.0, "counted"),
        ("A", "", "2024-06-08", 2.0, "counted"),
        ("B", "", "2024-06-15", 4.0, "counted"),
        ("B", "", "2024-06-22", 8.0, "counted"),
    )
    assert spans == [
        ("2024-06-01 00:00:00", "2024-06-08 00:00:00", 2),
        ("2024-06-15 00:00:00", "2024-06-22 00:00:00", 8),
    ]
    assert out == {2: "no start", 4: "no start"}


def test_a_lost_trap_stands_anew_from_the_check_that_found_it_or_its_set_date() -> None:
    spans, out = cut(
        ("A", "2024-06-01", "2024-06-08", 1.0, "counted"),
        ("A", "", "2024-06-15", np.nan, "lost"),
        ("A", "", "2024-06-22", 2.0, "counted"),
        ("A", "", "2024-06-29", np.nan, "lost"),
        ("A", "2024-07-02", "2024-07-06", 4.0, "counted"),
    )
    assert [start[:10] for start, _, _ in spans] == ["2024-06-01", "2024-06-15", "2024-07-02"]
    assert out == {3: "lost", 5: "lost"}


def test_a_check_that_was_not_made_leaves_the_trap_standing_since_its_set_date() -> None:
    spans, out = cut(
        ("A", "2024-06-01", "2024-06-08", 1.0, "counted"),
        ("A", "", "2024-06-15", np.nan, "missing"),
        ("A", "", "2024-06-22", np.nan, "missing"),
        ("A", "", "2024-06-29", 2.0, "counted"),
        ("A", "2024-07-10", "2024-07-17", np.nan, "missing"),
        ("A", "", "2024-07-24", 4.0, "counted"),
    )
    assert [start[:10] for start, _, _ in spans] == ["2024-06-01", "2024-06-08", "2024-07-10"]
    assert set(out.values()) == {"not checked"}


def test_what_is_left_out_carries_its_moths_and_what_is_kept_its_status_and_effort() -> None:
    kept, out = check_intervals(
        table(
            ("A", "2024-06-01", "2024-06-08", 1.0, "at least"),
            ("A", "", "2024-06-15", np.nan, "lost"),
            ("A", "", "2024-06-22", 5.0, "counted"),
            ("A", "", "2024-12-22", 7.0, "counted"),
            ("B", "", "2024-06-22", 3.0, "counted"),
        ),
        NORTH,
    )
    assert kept[["status", "effort", "row", "year"]].to_numpy().tolist() == [
        ["at least", 1.0, 2, 2024],
        ["counted", 3.0, 4, 2024],
    ]
    assert out[["row", "moths", "year"]].to_numpy().tolist() == [[3, 0, 2024], [5, 7, -1], [6, 3, 2024]]


def test_a_set_date_is_the_start_whatever_the_check_before() -> None:
    # Reading a table refuses such an overlap; the cutting itself follows the row.
    spans, _ = cut(
        ("A", "2024-06-01", "2024-06-08", 1.0, "counted"), ("A", "2024-06-05", "2024-06-15", 2.0, "counted")
    )
    assert [start[:10] for start, _, _ in spans] == ["2024-06-01", "2024-06-05"]


def test_checks_are_taken_in_the_order_of_their_dates() -> None:
    later = ("A", "", "2024-06-08", 2.0, "counted")
    earlier = ("A", "", "2024-06-01", 1.0, "counted")
    spans, out = cut(later, earlier)
    assert spans == [("2024-06-01 00:00:00", "2024-06-08 00:00:00", 2)]
    assert out == {3: "no start"}


def test_nothing_to_cut_gives_typed_empty_tables() -> None:
    catches = table(("A", "", "2024-12-24", 1.0, "counted"))
    kept, out = check_intervals(catches, NORTH)
    text = str(catches["trap"].dtype)
    assert kept.dtypes.astype(str).to_dict() == {
        "trap": text, "year": "int64", "start": "datetime64[ns]", "end": "datetime64[ns]", "count": "int64",
        "status": text, "effort": "float64", "row": "int64",
    }  # fmt: skip
    assert out["year"].dtype == out["row"].dtype == out["moths"].dtype == np.dtype("int64")


# --- the order of checks --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("set_", "says"),
    [("2024-06-08 12:00", ""), ("2024-06-08 11:59", "overlaps the one that ends on 2024-06-08 (row 2)"),
     ("2024-06-15 11:59", ""), ("2024-06-15 12:00", "not before its check"),
     ("2024-06-15 12:01", "not before its check")],
)  # fmt: skip
def test_an_interval_may_start_where_the_one_before_ends_and_not_where_it_ends_itself(
    set_: str, says: str, tmp_path: Path
) -> None:
    text = f"trap,set,date,count\nA,2024-06-01,2024-06-08,1\nA,{set_},2024-06-15,2\n"
    if not says:
        assert len(catches(tmp_path, text)) == 2
        return
    with pytest.raises(DataError) as caught:
        catches(tmp_path, text)
    assert [(p.row, p.column) for p in caught.value.problems] == [(3, "set")]
    assert says in caught.value.problems[0].finding


@pytest.mark.parametrize(
    ("rows", "stopped"),
    [
        (
            ("11/05/2024", "02/06/2024", "02/06/2024"),
            True,
        ),  # added up, and still backwards when read month-first
        (("11/05/2024", "02/06/2024", "01/06/2024"), False),  # backwards in either order
        (("05/11/2024", "06/02/2024", "06/02/2024"), False),
    ],
)
def test_an_order_is_doubted_only_where_the_other_one_runs_forwards(
    rows: tuple[str, ...], stopped: bool, tmp_path: Path
) -> None:
    text = "trap,date,count\n" + "".join(f"A,{day},1\n" for day in rows)
    if not stopped:
        assert catches(tmp_path, text, dates="month-first", duplicates="sum")["count"].sum() == 3.0
        return
    with pytest.raises(DataError, match="Declare the dates day-first") as caught:
        catches(tmp_path, text, dates="month-first", duplicates="sum")
    assert [p.row for p in caught.value.problems] == [3]


def test_checks_a_minute_apart_are_two(tmp_path: Path) -> None:
    text = "trap,date,count\nA,2024-06-08 12:00,1\nA,2024-06-08 12:01,2\n"
    assert len(catches(tmp_path, text)) == 2
    with pytest.raises(DataError, match="checked twice"):
        catches(tmp_path, text.replace("12:01", "12:00"))


def test_three_rows_of_one_check_are_named_twice_and_added_up_once(tmp_path: Path) -> None:
    text = "trap,set,date,count\nA,2024-06-02,2024-06-08,1\nA,2024-06-01,2024-06-08,2\nA,,2024-06-08,4\n"
    with pytest.raises(DataError) as caught:
        catches(tmp_path, text)
    assert [(p.row, p.column) for p in caught.value.problems] == [(3, "date"), (4, "date")]
    found = catches(tmp_path, text, duplicates="sum")
    assert found[["count", "effort", "row"]].to_numpy().tolist() == [[7.0, 3.0, 2]]
    assert found["set"].dt.day.tolist() == [1]


def test_species_of_one_check_are_no_duplicates(tmp_path: Path) -> None:
    text = "trap,date,count,species\nA,2024-06-08,1,red\nA,2024-06-08,2,blue\n"
    assert catches(tmp_path, text, duplicates="sum")["count"].tolist() == [1.0, 2.0]


@pytest.mark.parametrize(
    ("first", "second", "joint"),
    [("lost", "missing", "lost"), ("missing", "at least", "missing"), ("present", "present", "present"),
     ("present", "counted", "at least"), ("at least", "at least", "at least"), ("counted", "counted", "counted")],
)  # fmt: skip
def test_the_status_of_a_sum(first: str, second: str, joint: str) -> None:
    from phenofit.traps.sequence import joint_status

    assert joint_status([first, second]) == joint_status([second, first]) == joint


# --- numbers of the tables ------------------------------------------------------------------------------------


def test_the_largest_count() -> None:
    assert read_count(f"{LARGEST_COUNT}", blank="zero") == (float(LARGEST_COUNT), "counted")
    assert read_count(f">{LARGEST_COUNT}", blank="zero") == (float(LARGEST_COUNT), "at least")
    assert read_count(f"000{LARGEST_COUNT}", blank="zero")[0] == LARGEST_COUNT
    for cell in (f"{LARGEST_COUNT + 1}", f"{LARGEST_COUNT + 1}+", "9" * 20, "9" * 5000):
        with pytest.raises(UnreadableCount, match=f"up to {LARGEST_COUNT}"):
            read_count(cell, blank="zero")


@pytest.mark.parametrize(
    ("effort", "good"), [("1e-9", True), ("0.9e-9", False), ("1e6", True), ("1000001", False)]
)
def test_the_range_of_effort(effort: str, good: bool, tmp_path: Path) -> None:
    text = f"trap,date,count,effort\nA,2024-06-01,1,{effort}\n"
    if good:
        assert catches(tmp_path, text)["effort"].item() == float(effort)
        return
    with pytest.raises(DataError, match="out of range"):
        catches(tmp_path, text)


@pytest.mark.parametrize(
    ("height", "good"), [("-430", True), ("-430.1", False), ("8849", True), ("8849.1", False)]
)
def test_the_range_of_heights(height: str, good: bool, tmp_path: Path) -> None:
    text = f"trap,latitude,longitude,elevation_m\nA,44,-98,{height}\n"
    if good:
        assert traps(tmp_path, text)["elevation_m"].item() == float(height)
        return
    with pytest.raises(DataError, match="out of range"):
        traps(tmp_path, text)


def places(*positions: tuple[float, float]) -> list[str]:
    latitude, longitude = np.array(positions).T
    names = [f"T{i}" for i in range(len(positions))]
    found = position_problems(
        names, latitude, longitude, rows=list(range(2, 2 + len(names))), file="traps.csv"
    )
    return [p.finding for p in found]


@pytest.mark.parametrize(
    ("latitude", "longitude", "says"),
    [(90.0, 0.1, ""), (-90.0, 0.1, ""), (90.001, 0.1, "look swapped"), (-90.001, 0.1, "look swapped"), (0.1, 180.0, ""),
     (0.1, -180.0, ""), (0.1, 180.001, "mean -179.999?"), (0.1, 360.0, "mean 0?"), (0.1, 360.5, "out of range"),
     (0.0, 0.0, "lies at 0, 0"), (0.0, 0.1, ""), (0.1, 0.0, ""), (180.0, 90.0, "look swapped"),
     (180.0, 90.5, "out of range"), (180.5, 90.0, "out of range")],
)  # fmt: skip
def test_the_range_of_positions(latitude: float, longitude: float, says: str) -> None:
    found = places((latitude, longitude))
    assert len(found) == bool(says)
    assert says in "".join(found)
    assert ("mean" in "".join(found)) == ("mean" in says)
    assert ("swapped" in "".join(found)) == ("swapped" in says)


def test_a_mended_position_must_come_within_five_degrees_of_the_others() -> None:
    group = [(44.0, -98.0), (44.0, -98.0), (44.0, -98.0)]
    assert places(*group, (49.0, 98.0)) == [
        "longitude 98 of trap 'T3' lies far from the others: did you mean -98?"
    ]
    assert places(*group, (49.1, 98.0)) == []
    # A trap within five degrees is no matter, whatever its sign would do.
    assert places((2.5, -98.0), (2.5, -98.0), (-2.5, -98.0)) == []
    assert places((2.5, -98.0), (2.5, -98.0), (-2.6, -98.0)) == [
        "latitude -2.6 of trap 'T2' lies far from the others: did you mean 2.6?"
    ]


@pytest.mark.parametrize(
    ("longitude", "where"), [("-97.99940", "at the same place"), ("-97.99930", "0.1 km apart")]
)
def test_two_positions_within_fifty_metres_are_one_place(longitude: str, where: str, tmp_path: Path) -> None:
    # At 44 degrees north 0.0006 degrees are 48 m, 0.0007 are 56 m (sphere of the mean Earth radius, computed).
    with pytest.raises(DataError, match=f"stands in rows 2-3, {where}"):
        traps(tmp_path, f"trap,latitude,longitude\nA,44,-98\nA,44,{longitude}\n")


def test_rows_in_words_end_after_twelve_runs() -> None:
    runs = list(range(2, 26, 2))
    assert row_text(runs) == ", ".join(map(str, runs))
    assert row_text([*runs, 40, 50]) == ", ".join(map(str, runs)) + " and 2 more"
    assert row_text([]) == ""
    assert row_text([5, 4, 4]) == "4-5"


@pytest.mark.parametrize(("digits", "year"), [("69", 1969), ("68", 2068), ("00", 2000), ("99", 1999)])
def test_two_digit_years_turn_at_sixty_nine(digits: str, year: int, tmp_path: Path) -> None:
    found = catches(tmp_path, f"trap,date,count\nA,06/01/{digits},1\n", dates="month-first")
    assert found["check"].dt.year.item() == year
