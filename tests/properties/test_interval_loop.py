"""The array code that cuts checks into intervals gives what a plain loop over the checks gives."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phenofit.seasons import Season
from phenofit.traps.intervals import check_intervals
from phenofit.traps.sequence import sequence_problems

NAT = np.datetime64("NaT", "ns")
STATUSES = ("counted", "missing", "lost", "at least", "present")
SEASONS = (("01-01", "10-31"), ("07-01", "05-31"), ("03-01", "02-28"))

half_days = st.integers(0, 1600)
check = st.tuples(
    st.sampled_from(["A", "B", "C"]),
    half_days,
    st.one_of(st.none(), st.integers(-3, 60)),  # half days from the start to the check
    st.sampled_from(STATUSES),
    st.integers(0, 9),
)


def table_of(checks: list[tuple[str, int, int | None, str, int]]) -> pd.DataFrame:
    begin, half = np.datetime64("2019-12-01", "ns"), np.timedelta64(12, "h")
    at = [begin + half * day for _, day, _, _, _ in checks]
    sets = [
        NAT if back is None else when - half * back
        for when, (_, _, back, _, _) in zip(at, checks, strict=True)
    ]
    known = [n if status not in ("missing", "lost") else np.nan for _, _, _, status, n in checks]
    return pd.DataFrame(
        {
            "trap": pd.Series([trap for trap, *_ in checks], dtype=object),
            "set": np.array(sets, dtype="datetime64[ns]"),
            "check": np.array(at, dtype="datetime64[ns]"),
            "count": np.array(known, dtype=float),
            "status": pd.Series([status for _, _, _, status, _ in checks], dtype=object),
            "effort": np.ones(len(checks)),
            "row": np.arange(len(checks)) + 2,
        }
    )


def plain_intervals(
    catches: pd.DataFrame, season: Season, first: float | None, longest: float | None
) -> tuple[list[tuple[object, ...]], list[tuple[object, ...]]]:
    """Walk over the checks of each trap in order of time."""
    kept: list[tuple[object, ...]] = []
    dropped: list[tuple[object, ...]] = []
    day = np.timedelta64(86400, "s")
    for trap, group in catches.sort_values(["trap", "check", "row"]).groupby("trap"):
        since = NAT
        for set_, at, count, status, row in zip(
            group["set"].to_numpy(),
            group["check"].to_numpy(),
            group["count"],
            group["status"],
            group["row"],
            strict=True,
        ):
            year = int(season.year_of(np.array([at]))[0])
            start = since if np.isnat(set_) else set_
            if status == "missing":
                dropped.append((trap, year, "not checked", row, 0, at))
                since = start
                continue
            since = at
            reason = "outside" if year < 0 else "lost" if status == "lost" else ""
            if not reason:
                opens = season.first_day(year)
                if np.isnat(start) or (np.isnat(set_) and start < opens):
                    reason = "no start" if first is None else ""
                    start = start if first is None else at - first * day
            if not reason and start < opens:
                reason = "before"
            if not reason and longest is not None and at - start > longest * day:
                reason = "too long"
            if reason:
                dropped.append((trap, year, reason, row, 0 if np.isnan(count) else int(count), at))
            else:
                kept.append((trap, year, start, at, int(count), status, row))
    return kept, dropped


@settings(max_examples=50, deadline=None)
@given(
    st.lists(check, max_size=25),
    st.sampled_from(SEASONS),
    st.sampled_from([None, 3, 7]),
    st.sampled_from([None, 14]),
)
def test_intervals_of_arrays_are_those_of_a_loop(
    checks: list[tuple[str, int, int | None, str, int]],
    ends: tuple[str, str],
    first: int | None,
    longest: int | None,
) -> None:
    catches, season = table_of(checks), Season.parse(*ends)
    kept, dropped = plain_intervals(catches, season, first, longest)
    intervals, left_out = check_intervals(
        catches, season, first_interval_days=first, longest_interval_days=longest
    )
    columns = ["trap", "year", "start", "end", "count", "status", "row"]
    moments = {"start": "datetime64[ns]", "end": "datetime64[ns]"}
    # Text keeps the type of the catch table, whatever this pandas gives to a fresh table of text.
    expected = pd.DataFrame(kept, columns=columns).astype({"trap": object, "status": object, **moments})
    pd.testing.assert_frame_equal(intervals[columns], expected, check_dtype=bool(kept))
    columns = ["trap", "year", "reason", "row", "moths", "end"]
    expected = pd.DataFrame(dropped, columns=columns)
    expected = expected.astype({"trap": object, "reason": left_out["reason"].dtype, "end": "datetime64[ns]"})
    pd.testing.assert_frame_equal(left_out, expected, check_dtype=bool(dropped))


def test_an_unreadable_count_is_no_catch() -> None:
    catches = table_of([("A", 300, 4, "counted", 1)]).assign(count=np.nan)
    with pytest.raises(ValueError, match="Cannot convert non-finite"):
        check_intervals(catches, Season.parse("01-01", "10-31"))


def plain_findings(catches: pd.DataFrame) -> list[tuple[int, str]]:
    """Return row and kind of every fault, trap by trap in the order in which the traps first occur."""
    found = []
    for trap in dict.fromkeys(catches["trap"]):
        own = catches[catches["trap"] == trap].to_dict("records")
        pairs = list(pairwise(own))
        found += [(b["row"], "twice") for a, b in pairs if a["check"] == b["check"]]
        found += [(one["row"], "not before") for one in own if one["set"] >= one["check"]]
        found += [
            (b["row"], "overlaps") for a, b in pairs if a["check"] != b["check"] and b["set"] < a["check"]
        ]
    return found


@settings(max_examples=50, deadline=None)
@given(st.lists(check, max_size=25))
def test_faults_of_arrays_are_those_of_a_loop(checks: list[tuple[str, int, int | None, str, int]]) -> None:
    catches = table_of(checks).sort_values(["trap", "check", "row"], ignore_index=True)
    problems = sequence_problems(catches, file="catches.csv", names={})
    said = [
        (p.row, next(word for word in ("twice", "not before", "overlaps") if word in p.finding))
        for p in problems
    ]
    assert said == plain_findings(catches)
