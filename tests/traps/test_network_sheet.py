"""A whole field sheet, read with a short column mapping: a trap network moved between plots in mid-season.

21 traps (plot and lure) at each of 17 checks, set and check dates in US order with two-digit years, traps taken in
from 23 September to 14 October for a harvest. The sheet is invented; its shape is that of sheets people keep.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pandas as pd
import pytest

from phenofit.seasons import Season
from phenofit.traps import TrapYears, build_trap_years, read_catches

MAPPING = {"trap": ["PlotID", "Lure_type"], "set": "Start_date", "date": "End_date", "count": "Count"}


# The days on which the network was visited; between the two lists no trap stood.
VISITS = (
    [
        "7/2/20",
        "7/9/20",
        "7/10/20",
        "7/16/20",
        "7/22/20",
        "7/29/20",
        "8/6/20",
        "8/12/20",
        "8/20/20",
        "8/27/20",
        "9/3/20",
        "9/11/20",
        "9/16/20",
        "9/17/20",
        "9/23/20",
    ],
    ["10/14/20", "10/21/20", "10/28/20", "11/4/20"],
)
LURES = ("amber", "cedar", "plain")


def _catch(check: int, trap: int) -> int:
    """Return an invented catch: a flight around the sixth check, the lures unlike, none at some checks."""
    return max(0, round((34 - 3 * abs(check - 6)) * (1.0, 0.6, 0.1)[trap % 3]) - (trap * 5 + check * 3) % 9)


@pytest.fixture(scope="module")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    lines = ["PlotID,Lure_type,Start_date,End_date,Count,Re_randomization"]
    spans = [pair for days in VISITS for pair in pairwise(days)]
    for check, (start, end) in enumerate(spans):
        lines += [
            # From the fourth check on every trap stands in the next plot.
            f"{11 + trap + (check > 2)},{LURES[trap % 3]},{start},{end},{_catch(check, trap)},{1 + (check > 2)}"
            for trap in range(21)
        ]
    path = tmp_path_factory.mktemp("sheet") / "network.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
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
