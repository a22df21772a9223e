"""Properties of check intervals that hold for any field sheet."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from phenofit.errors import DataError
from phenofit.seasons import Season
from phenofit.traps import LEFT_OUT_REASONS, TrapYears, build_trap_years
from tests.traps.sheets import trap_frame

SEASONS = st.sampled_from([Season.parse("01-01", "10-31"), Season.parse("07-01", "05-31")])
STATUS = st.sampled_from(["counted", "counted", "counted", "missing", "lost", "at least", "present"])


@st.composite
def catch_tables(draw: st.DrawFn) -> pd.DataFrame:
    rows = []
    for trap in "AB":
        days = draw(st.lists(st.integers(0, 900), min_size=3, max_size=25, unique=True))
        for day in sorted(days):
            status = draw(STATUS)
            known = status not in ("missing", "lost")
            rows.append((trap, day, status, float(draw(st.integers(0, 40))) if known else np.nan))
    frame = pd.DataFrame(rows, columns=["trap", "day", "status", "count"])
    frame["check"] = pd.Timestamp("2022-01-01 12:00") + pd.to_timedelta(frame.pop("day"), unit="D")
    frame["set"] = pd.Series(pd.NaT, index=frame.index, dtype="datetime64[ns]")
    return frame.assign(effort=1.0, row=np.arange(2, len(frame) + 2))


@settings(max_examples=60, deadline=None)
@given(catch_tables(), SEASONS)
def test_every_row_is_used_or_named_and_intervals_are_apart(table: pd.DataFrame, season: Season) -> None:
    try:
        found = build_trap_years(trap_frame("A", "B"), table, season)
    except DataError:  # nothing usable, with the reasons counted: tests of its own
        return
    assert len(found.intervals) + int(found.left_out["rows"].sum()) == len(table)
    assert (found.intervals["start"] < found.intervals["end"]).all()
    first = season.year_of(found.intervals["start"].to_numpy())
    last = season.year_of(found.intervals["end"].to_numpy())
    assert (first == found.intervals["year"]).all()
    assert (last == found.intervals["year"]).all()
    for _, own in found.intervals.groupby("trap"):
        ordered = own.sort_values("start")
        assert (ordered["start"].to_numpy()[1:] >= ordered["end"].to_numpy()[:-1]).all()
    totals = found.intervals.groupby("trap_year")["count"].sum()
    assert totals.tolist() == found.years["total"].tolist()


@settings(max_examples=30, deadline=None)
@given(catch_tables(), SEASONS, st.randoms(use_true_random=False))
def test_the_order_of_the_rows_does_not_matter(table: pd.DataFrame, season: Season, random: object) -> None:
    shuffled = table.sample(frac=1.0, random_state=random.randint(0, 2**31))  # type: ignore[attr-defined]
    try:
        expected = build_trap_years(trap_frame("A", "B"), table, season)
    except DataError:
        return
    found = build_trap_years(trap_frame("A", "B"), shuffled, season)
    pd.testing.assert_frame_equal(found.intervals, expected.intervals)
    pd.testing.assert_frame_equal(found.years, expected.years)


@settings(max_examples=30, deadline=None)
@given(catch_tables())
def test_pooling_loses_no_moth(table: pd.DataFrame) -> None:
    season = Season.parse("01-01", "10-31")
    where = trap_frame("A", "B", site="North")
    table = table[table["status"].isin(["counted", "lost", "missing"])]
    try:
        apart = build_trap_years(where, table, season)
        pooled = build_trap_years(where, table, season, pool="site")
    except DataError:
        return

    # A pooled interval may stand on checks that are single, and so left out, where the traps are kept apart.
    def single(found: TrapYears) -> int:
        return int(found.left_out.loc[found.left_out["reason"] == LEFT_OUT_REASONS["single"], "rows"].sum())

    effort, moths = (
        [
            float((t["effort"] * (t["end"] - t["start"]).dt.days).sum())
            for t in (apart.intervals, pooled.intervals)
        ],
        [int(t["count"].sum()) for t in (apart.intervals, pooled.intervals)],
    )
    if single(apart) == single(pooled) == 0:
        assert moths[0] == moths[1]
        assert effort[0] == pytest.approx(effort[1])
    assert pooled.intervals["effort"].between(1.0, 2.0).all()
