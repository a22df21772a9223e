"""A real catch table, read with a short column mapping.

Sticky wing traps in an orchard near Huron, California, 2020: 357 rows, 21 traps at each of 17 checks, set and
check dates in US order with two-digit years, traps pulled from 23 September to 14 October for the harvest.
Public data (CC BY 4.0) of a research repository; the project carries no copy, so the test skips where the folder
``shared`` does not lie beside the checkout. The expected figures were counted by hand from the file.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from phenofit.seasons import Season
from phenofit.traps import TrapYears, build_trap_years, read_catches

MAPPING = {"trap": ["PlotID", "Lure_type"], "set": "Start_date", "date": "End_date", "count": "Count"}


@pytest.fixture(scope="module")
def sheet(root: Path) -> Path:
    path = root.parent / "shared" / "data" / "trap_counts_2020.csv"
    if not path.exists():
        pytest.skip("the real catch table is not on this machine; it is not part of the project")
    return path


@pytest.fixture(scope="module")
def table(sheet: Path) -> pd.DataFrame:
    return read_catches(sheet, dates="month-first", blank="not checked", columns=MAPPING)


@pytest.fixture(scope="module")
def found(table: pd.DataFrame) -> TrapYears:
    names = sorted(table["trap"].unique())
    where = pd.DataFrame(
        {"trap": names, "site": names, "latitude": 36.12, "longitude": -120.15, "elevation_m": float("nan")}
    )
    return build_trap_years(where.assign(station=""), table, Season.parse("01-01", "12-31"))


def test_every_row_is_read(table: pd.DataFrame) -> None:
    assert len(table) == 357
    assert (table["status"] == "counted").all()
    assert table.groupby(["set", "check"]).size().tolist() == [21] * 17
    assert table["check"].min() == pd.Timestamp("2020-07-09 12:00")
    assert table["check"].max() == pd.Timestamp("2020-11-04 12:00")


def test_intervals_are_one_to_nine_days_long(found: TrapYears) -> None:
    days = (found.intervals["end"] - found.intervals["start"]).dt.days
    # 7/2-7/9, 7/9-7/10, 7/10-7/16, 7/16-7/22, 7/22-7/29, 7/29-8/6, ... by the calendar.
    assert (days.value_counts() / 21).to_dict() == {7: 7, 6: 4, 8: 3, 1: 2, 5: 1}
    assert days.between(1, 9).all()
    assert len(found.intervals) == 357
    assert found.left_out.empty


def test_the_harvest_stays_a_gap(found: TrapYears) -> None:
    pulled, back = pd.Timestamp("2020-09-23 12:00"), pd.Timestamp("2020-10-14 12:00")
    inside = (found.intervals["start"] < back) & (found.intervals["end"] > pulled)
    assert not inside.any()
    assert (found.intervals["end"] == pulled).sum() == 21
    assert (found.intervals["start"] == back).sum() == 21


def test_totals_are_those_of_the_file(found: TrapYears, sheet: Path) -> None:
    raw = pd.read_csv(sheet)
    assert found.years["total"].sum() == raw["Count"].sum()
    assert found.years["total"].max() == raw.groupby(["PlotID", "Lure_type"])["Count"].sum().max()
