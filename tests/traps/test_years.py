"""Check intervals and trap-years: what a catch covers, and what is left out and why."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from phenofit.errors import DataError, ModelError, PhenofitWarning
from phenofit.seasons import Season
from phenofit.traps import LEFT_OUT_REASONS, CountWords, build_trap_years
from phenofit.traps.years import trap_places
from tests.traps.sheets import catches, trap_frame, traps

NORTH = Season.parse("01-01", "10-31")
SOUTH = Season.parse("07-01", "05-31")


def spans(intervals: pd.DataFrame) -> list[tuple[str, str, int]]:
    return [
        (f"{start:%m-%d}", f"{end:%m-%d}", int(count))
        for start, end, count in zip(intervals["start"], intervals["end"], intervals["count"], strict=True)
    ]


def left_out(found: Any) -> dict[str, str]:
    names = {words: key for key, words in LEFT_OUT_REASONS.items()}
    return {
        names[reason]: lines
        for reason, lines in zip(found.left_out["reason"], found.left_out["lines"], strict=True)
    }


def test_an_interval_starts_at_the_check_before(tmp_path: Path) -> None:
    table = catches(tmp_path, "trap,date,count\nA,2024-06-01,0\nA,2024-06-08,3\nA,2024-06-12,5\n")
    found = build_trap_years(trap_frame("A"), table, NORTH)
    assert spans(found.intervals) == [("06-01", "06-08", 3), ("06-08", "06-12", 5)]
    assert left_out(found) == {"no start": "2"}
    assert found.years[["trap", "season", "year", "total", "checks"]].values.tolist() == [
        ["A", "2024", 2024, 8, 2]
    ]


def test_the_first_interval_may_be_given_a_length(tmp_path: Path) -> None:
    table = catches(tmp_path, "trap,date,count\nA,2024-06-08,3\nA,2024-06-15,5\n")
    found = build_trap_years(trap_frame("A"), table, NORTH, first_interval_days=7)
    assert spans(found.intervals) == [("06-01", "06-08", 3), ("06-08", "06-15", 5)]
    assert found.left_out.empty


def test_a_set_date_starts_the_interval_and_leaves_gaps_open(tmp_path: Path) -> None:
    table = catches(
        tmp_path,
        "trap,set,date,count\nA,2024-06-01,2024-06-08,3\nA,,2024-06-15,5\nA,2024-07-10,2024-07-17,1\n",
    )
    found = build_trap_years(trap_frame("A"), table, NORTH)
    assert spans(found.intervals) == [("06-01", "06-08", 3), ("06-08", "06-15", 5), ("07-10", "07-17", 1)]


def test_a_check_not_made_lengthens_the_next_interval(tmp_path: Path) -> None:
    table = catches(
        tmp_path, "trap,date,count\nA,2024-06-01,0\nA,2024-06-08,\nA,2024-06-15,4\nA,2024-06-22,0\n"
    )
    found = build_trap_years(trap_frame("A"), table, NORTH)
    assert spans(found.intervals) == [("06-01", "06-15", 4), ("06-15", "06-22", 0)]
    assert left_out(found) == {"no start": "2", "not checked": "3"}


def test_a_trap_set_but_not_checked_was_standing_since_then(tmp_path: Path) -> None:
    table = catches(
        tmp_path, "trap,set,date,count\nA,2024-06-01,2024-06-08,\nA,,2024-06-15,4\nA,,2024-06-22,1\n"
    )
    assert spans(build_trap_years(trap_frame("A"), table, NORTH).intervals)[0] == ("06-01", "06-15", 4)


def test_the_interval_of_a_lost_trap_is_left_out(tmp_path: Path) -> None:
    table = catches(
        tmp_path, "trap,date,count\nA,2024-06-01,0\nA,2024-06-08,2\nA,2024-06-15,lost\nA,2024-06-22,4\n"
    )
    found = build_trap_years(trap_frame("A"), table, NORTH)
    assert spans(found.intervals) == [("06-01", "06-08", 2), ("06-15", "06-22", 4)]
    assert left_out(found) == {"no start": "2", "lost": "4"}


def test_nothing_is_carried_beyond_the_last_check(tmp_path: Path) -> None:
    table = catches(
        tmp_path,
        "trap,date,count\nA,2024-06-01,1\nA,2024-06-08,2\nA,2024-06-15,3\nA,2024-06-22,\nA,2024-06-29,\n",
    )
    found = build_trap_years(trap_frame("A"), table, NORTH)
    assert found.intervals["end"].max() == pd.Timestamp("2024-06-15 12:00")
    assert left_out(found)["not checked"] == "5-6"


def test_a_long_gap_is_left_out_whole_where_a_limit_is_set(tmp_path: Path) -> None:
    table = catches(
        tmp_path, "trap,date,count\nA,2024-06-01,1\nA,2024-06-08,2\nA,2024-07-20,3\nA,2024-07-27,4\n"
    )
    found = build_trap_years(trap_frame("A"), table, NORTH, longest_interval_days=21)
    assert spans(found.intervals) == [("06-01", "06-08", 2), ("07-20", "07-27", 4)]
    assert left_out(found)["too long"] == "4"


def test_a_southern_season_runs_across_new_year(tmp_path: Path) -> None:
    table = catches(
        tmp_path, "trap,date,count\nA,2023-11-20,1\nA,2023-12-28,2\nA,2024-01-04,3\nA,2024-02-10,4\n"
    )
    found = build_trap_years(trap_frame("A"), table, SOUTH)
    assert found.years["season"].tolist() == ["2023/24"]
    assert spans(found.intervals) == [("11-20", "12-28", 2), ("12-28", "01-04", 3), ("01-04", "02-10", 4)]


def test_seasons_do_not_run_into_each_other(tmp_path: Path) -> None:
    table = catches(
        tmp_path,
        "trap,date,count\nA,2023-09-01,0\nA,2023-09-08,1\nA,2023-09-15,1\n"
        "A,2024-05-01,7\nA,2024-05-08,2\nA,2024-05-15,2\n",
    )
    found = build_trap_years(trap_frame("A"), table, NORTH)
    assert found.years[["season", "total"]].values.tolist() == [["2023", 2], ["2024", 4]]
    assert found.left_out["reason"].tolist() == [LEFT_OUT_REASONS["no start"]] * 2
    assert found.left_out["lines"].tolist() == ["2", "5"]
    assert found.left_out["season"].tolist() == ["2023", "2024"]


def test_checks_outside_the_season_are_left_out_and_counted(tmp_path: Path) -> None:
    table = catches(
        tmp_path,
        "trap,date,count\nA,2024-10-20,1\nA,2024-10-27,1\nA,2024-10-31,2\nA,2024-11-05,3\nA,2024-12-01,4\n",
    )
    found = build_trap_years(trap_frame("A"), table, NORTH)
    assert spans(found.intervals)[-1] == ("10-27", "10-31", 2)  # the last day of the season belongs to it
    assert left_out(found)["outside"] == "5-6"
    assert found.left_out["season"].tolist() == ["", "2024"]


def test_an_interval_that_begins_before_the_season_is_left_out(tmp_path: Path) -> None:
    season = Season.parse("04-01", "10-31")
    table = catches(
        tmp_path, "trap,set,date,count\nA,2024-03-28,2024-04-04,9\nA,,2024-04-11,1\nA,,2024-04-18,2\n"
    )
    found = build_trap_years(trap_frame("A"), table, season)
    assert spans(found.intervals) == [("04-04", "04-11", 1), ("04-11", "04-18", 2)]
    assert left_out(found) == {"before": "2"}


def test_a_total_for_the_season_holds_no_timing(tmp_path: Path) -> None:
    table = catches(
        tmp_path, "trap,set,date,count\nA,2024-05-01,2024-09-30,240\nB,2024-05-01,2024-09-30,11\n"
    )
    with pytest.raises(DataError, match="2 only one interval in the season"):
        build_trap_years(trap_frame("A", "B"), table, NORTH)


def test_what_is_left_out_of_a_trap_year_is_added_up_with_its_moths(tmp_path: Path) -> None:
    text = (
        "trap,set,date,count\nA,2024-05-01,2024-05-08,1\nA,,2024-05-15,2\nA,,2024-11-02,5\nA,,2024-11-09,6\n"
        "A,2024-12-01,2024-12-08,7\nB,2024-05-01,2024-05-08,9\n"
    )
    found = build_trap_years(trap_frame("A", "B"), catches(tmp_path, text), NORTH)
    assert found.left_out[["trap", "reason", "rows", "moths", "lines"]].to_numpy().tolist() == [
        ["A", LEFT_OUT_REASONS["outside"], 3, 18, "4-6"],
        ["B", LEFT_OUT_REASONS["single"], 1, 9, "7"],
    ]


def test_a_first_sighting_alone_is_kept(tmp_path: Path) -> None:
    table = catches(tmp_path, "trap,set,date,count\nA,2024-06-01,2024-06-08,present\n")
    found = build_trap_years(trap_frame("A"), table, NORTH)
    assert found.intervals[["status", "count"]].values.tolist() == [["present", 1]]


def test_unknown_traps_are_named_with_the_nearest(tmp_path: Path) -> None:
    table = catches(
        tmp_path, "trap,date,count\nNorth1,2024-06-01,1\nNorht2,2024-06-08,1\nNorht2,2024-06-15,1\n"
    )
    with pytest.raises(DataError, match="Did you mean 'North2'") as caught:
        build_trap_years(trap_frame("North1", "North2"), table, NORTH)
    assert [p.row for p in caught.value.problems] == [3]


def test_a_moved_trap_gives_two_series_and_drops_the_spanning_check(tmp_path: Path) -> None:
    with pytest.warns(PhenofitWarning):
        where = traps(
            tmp_path, "trap,latitude,longitude,valid_from\nT7,44.10,-62.10,\nT7,45.75,-62.16,2024-06-20\n"
        )
    table = catches(
        tmp_path,
        "trap,date,count\nT7,2024-06-01,0\nT7,2024-06-08,1\nT7,2024-06-15,2\nT7,2024-06-22,3\nT7,2024-06-29,4\n"
        "T7,2024-07-06,5\n",
    )
    found = build_trap_years(where, table, NORTH)
    assert found.years[["trap", "total", "latitude"]].values.tolist() == [
        ["T7", 3, 44.1],
        ["T7@2024-06-20", 9, 45.75],
    ]
    assert left_out(found)["moved"] == "5"
    assert found.left_out["moths"].tolist() == [3, 0]  # in the check across the move, and in the first one


def test_on_the_day_of_the_move_the_check_belongs_to_the_old_place(tmp_path: Path) -> None:
    with pytest.warns(PhenofitWarning):
        where = traps(
            tmp_path, "trap,latitude,longitude,valid_from\nT7,44.10,-62.10,\nT7,45.75,-62.16,2024-06-15\n"
        )
    table = catches(
        tmp_path,
        "trap,date,count\nT7,2024-06-01,0\nT7,2024-06-08,1\nT7,2024-06-15,2\nT7,2024-06-22,3\nT7,2024-06-29,4\n",
    )
    found = build_trap_years(where, table, NORTH)
    assert found.years["total"].tolist() == [3, 7]
    assert "moved" not in left_out(found)


def test_covariates_follow_the_trap(tmp_path: Path) -> None:
    table = catches(tmp_path, "trap,date,count\nA,2024-06-01,1\nA,2024-06-08,1\nA,2024-06-15,1\n")
    found = build_trap_years(trap_frame("A").assign(slope=3.5), table, NORTH)
    assert found.years["slope"].tolist() == [3.5]
    assert "station" not in found.years


def test_every_row_is_used_or_named(tmp_path: Path) -> None:
    text = "trap,date,count\n" + "".join(
        f"A,2024-{month:02d}-{day:02d},{count}\n"
        for month, day, count in [(5, 1, 0), (5, 8, ""), (5, 15, "lost"), (5, 22, 3), (5, 29, 1), (11, 2, 1)]
    )
    found = build_trap_years(trap_frame("A"), catches(tmp_path, text), NORTH)
    assert len(found.intervals) + found.left_out["rows"].sum() == 6


def test_pooled_traps_add_up_counts_and_effort(tmp_path: Path) -> None:
    table = catches(
        tmp_path,
        "trap,set,date,count\nA,2024-06-01,2024-06-08,3\nA,,2024-06-15,5\nA,,2024-06-22,1\n"
        "B,2024-06-01,2024-06-08,2\nB,,2024-06-15,lost\nB,,2024-06-22,4\n",
    )
    found = build_trap_years(trap_frame("A", "B", site="North"), table, NORTH, pool="site")
    assert found.years[["trap", "total"]].values.tolist() == [["North", 15]]
    assert found.years["latitude"][0] == pytest.approx(44.001)
    assert found.intervals["count"].tolist() == [5, 5, 5]
    assert found.intervals["effort"].tolist() == [2.0, 1.0, 2.0]  # a week with a lost trap counts for one


def test_pooling_joins_intervals_where_one_trap_was_read_less_often(tmp_path: Path) -> None:
    table = catches(
        tmp_path,
        "trap,set,date,count\nA,2024-06-01,2024-06-08,3\nA,,2024-06-15,5\nA,,2024-06-22,1\n"
        "B,2024-06-01,2024-06-08,\nB,,2024-06-15,4\nB,,2024-06-22,0\n",
    )
    found = build_trap_years(trap_frame("A", "B", site="North"), table, NORTH, pool="site")
    assert spans(found.intervals) == [("06-01", "06-15", 12), ("06-15", "06-22", 1)]
    assert found.intervals["effort"].tolist() == [2.0, 2.0]


def test_traps_whose_intervals_do_not_fit_stay_apart_and_it_is_said(tmp_path: Path) -> None:
    table = catches(
        tmp_path,
        "trap,set,date,count\nA,2024-06-01,2024-06-08,3\nA,,2024-06-15,5\n"
        "B,2024-06-04,2024-06-11,2\nB,,2024-06-18,4\n",
    )
    found = build_trap_years(trap_frame("A", "B", site="North"), table, NORTH, pool="site")
    assert found.years["trap"].tolist() == ["A", "B"]
    assert found.notes == ("North 2024: the check intervals of its traps do not fit together; kept apart.",)


def test_pooled_counts_are_known_as_well_as_the_worst_of_them(tmp_path: Path) -> None:
    text = "trap,set,date,count\nA,2024-06-01,2024-06-08,{}\nA,,2024-06-15,5\nB,2024-06-01,2024-06-08,{}\nB,,2024-06-15,1\n"
    for first, second, status, count in (("3", "2", "counted", 5), (">3", "2", "at least", 5)):
        table = catches(tmp_path, text.format(first, second))
        found = build_trap_years(trap_frame("A", "B", site="North"), table, NORTH, pool="site").intervals
        assert found[["status", "count"]].values.tolist() == [[status, count], ["counted", 6]]
    seen = catches(tmp_path, text.format("present", "present"), words=CountWords(present=("present",)))
    found = build_trap_years(trap_frame("A", "B", site="North"), seen, NORTH, pool="site").intervals
    assert found["status"].tolist() == ["present", "counted"]


def test_traps_of_unequal_effort_within_a_block_stay_apart(tmp_path: Path) -> None:
    text = (
        "trap,set,date,count,effort\nA,2024-06-01,2024-06-08,3,1\nA,,2024-06-15,5,{}\nB,2024-06-01,2024-06-15,2,1\n"
        "B,,2024-06-22,1,1\nA,,2024-06-22,1,1\n"
    )
    for effort, pooled in ((1, True), (2, False)):
        table = catches(tmp_path, text.format(effort))
        found = build_trap_years(trap_frame("A", "B", site="North"), table, NORTH, pool="site")
        assert found.years["trap"].tolist() == (["North"] if pooled else ["A", "B"])
        assert bool(found.notes) is not pooled


def test_places_of_pooled_sites(tmp_path: Path) -> None:
    where = trap_frame("A", "B", site="North").assign(
        aspect=[1.0, 1.0], lure=["red", "blue"], slope=[2.0, np.nan]
    )
    places = trap_places(where, pool="site").set_index("trap")
    assert places.index.tolist() == ["A", "B", "North"]
    assert places.loc["North", "latitude"] == pytest.approx(44.001)
    assert places.loc["North", "aspect"] == 1.0
    assert places["slope"].isna()["North"]  # one of its traps does not say
    assert places["lure"].isna().tolist() == [False, False, True]


def test_a_selection_is_numbered_anew(tmp_path: Path) -> None:
    table = catches(
        tmp_path,
        "".join(
            ["trap,set,date,count\n"]
            + [f"{t},2024-06-01,2024-06-08,1\n{t},,2024-06-15,{k}\n" for k, t in enumerate("ABC", start=2)]
        ),
    )
    found = build_trap_years(trap_frame("A", "B", "C"), table, NORTH)
    chosen = found.select([True, False, True])
    assert chosen.years["trap"].tolist() == ["A", "C"]
    assert chosen.years["trap_year"].tolist() == [0, 1]
    assert chosen.intervals["trap_year"].tolist() == [0, 0, 1, 1]
    assert chosen.intervals["count"].tolist() == [1, 2, 1, 4]
    with pytest.raises(ModelError, match="3 trap-years"):
        found.select([True])


@pytest.mark.parametrize(
    "bad",
    [
        {"pool": "field"},
        {"first_interval_days": 0.0},
        {"longest_interval_days": -1.0},
        {"first_interval_days": 366.1},
        {"longest_interval_days": 0.04},
        {"first_interval_days": math.nan},
    ],
)
def test_settings_that_make_no_sense_are_refused(tmp_path: Path, bad: dict[str, Any]) -> None:
    table = catches(tmp_path, "trap,date,count\nA,2024-06-01,1\n")
    with pytest.raises(ModelError):
        build_trap_years(trap_frame("A"), table, NORTH, **bad)


def test_several_species_cannot_be_one_trap_year(tmp_path: Path) -> None:
    table = catches(tmp_path, "trap,date,count,species\nA,2024-06-01,1,red\nA,2024-06-01,1,blue\n")
    with pytest.raises(ModelError, match="several species"):
        build_trap_years(trap_frame("A"), table, NORTH)


def test_types_of_the_result(tmp_path: Path) -> None:
    table = catches(tmp_path, "trap,date,count\nA,2024-06-01,1\nA,2024-06-08,1\nA,2024-06-15,1\n")
    intervals = build_trap_years(trap_frame("A"), table, NORTH).intervals
    assert intervals["start"].dtype == np.dtype("datetime64[ns]")
    assert intervals["count"].dtype == np.dtype("int64")
    assert intervals["trap_year"].dtype == np.dtype("int64")
