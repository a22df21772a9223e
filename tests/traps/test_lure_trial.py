"""A catch table as research networks keep it, read with a short column mapping.

``lure_trial.csv`` is invented. It has the shape of such tables: a plot and a lure name the trap, set and check dates
stand in US order with two-digit years, checks are 1 to 9 days apart, all traps are away for three weeks of harvest, and
a column is of no use here. The expected figures were counted from the file by other means.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from phenofit.seasons import Season
from phenofit.traps import TrapYears, build_trap_years, read_catches

SHEET = Path(__file__).with_name("lure_trial.csv")
MAPPING = {"trap": ["PlotNo", "Lure_kind"], "set": "Set_on", "date": "Read_on", "count": "Moths"}


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    return read_catches(SHEET, dates="month-first", blank="not checked", columns=MAPPING)


@pytest.fixture(scope="module")
def found(table: pd.DataFrame) -> TrapYears:
    names = sorted(table["trap"].unique())
    where = pd.DataFrame(
        {"trap": names, "site": names, "latitude": 36.12, "longitude": -120.15, "elevation_m": float("nan")}
    )
    return build_trap_years(where.assign(station=""), table, Season.parse("01-01", "12-31"))


def test_every_row_is_read(table: pd.DataFrame) -> None:
    assert len(table) == 66
    assert (table["status"] == "counted").all()
    assert table["trap"].unique().tolist() == [
        "04 red",
        "05 red",
        "06 plain",
        "11 plain",
        "12 blue",
        "13 blue",
    ]
    assert table.groupby(["set", "check"]).size().tolist() == [6] * 11
    assert table["check"].min() == pd.Timestamp("2019-06-04 12:00")
    assert table["check"].max() == pd.Timestamp("2019-08-27 12:00")
    assert any("132 dates with a two-digit year" in note for note in table.attrs["notes"])


def test_intervals_are_one_to_nine_days_long(found: TrapYears) -> None:
    days = (found.intervals["end"] - found.intervals["start"]).dt.days
    # 5/28-6/4, 6/4-6/5, 6/5-6/12, 6/12-6/18, 6/18-6/26, 6/26-7/2, 7/2-7/9, 7/30-8/6, ... by the calendar.
    assert (days.value_counts() / 6).to_dict() == {7: 5, 6: 2, 1: 1, 8: 1, 5: 1, 9: 1}
    assert len(found.intervals) == 66
    assert found.left_out.empty


def test_the_harvest_stays_a_gap(found: TrapYears) -> None:
    pulled, back = pd.Timestamp("2019-07-09 12:00"), pd.Timestamp("2019-07-30 12:00")
    inside = (found.intervals["start"] < back) & (found.intervals["end"] > pulled)
    assert not inside.any()
    assert (found.intervals["end"] == pulled).sum() == 6
    assert (found.intervals["start"] == back).sum() == 6


def test_totals_are_those_of_the_file(found: TrapYears) -> None:
    raw = pd.read_csv(SHEET)
    assert found.years["total"].sum() == raw["Moths"].sum() == 476
    assert found.years["total"].tolist() == [101, 111, 47, 52, 90, 75]
