"""The biofix table: one start of the heat sum for each site and season."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenofit.errors import DataError
from phenofit.seasons import Season
from phenofit.traps import TrapYears, build_trap_years, read_biofix
from phenofit.traps.biofix import biofix_starts, since_biofix

SOUTH = Season.parse("07-01", "05-31")


def read(folder: Path, text: str) -> pd.DataFrame:
    path = folder / "biofix.csv"
    path.write_text(text, encoding="utf-8")
    return read_biofix(path, dates="year-first", season=SOUTH)


def test_a_date_in_january_belongs_to_the_season_before(tmp_path: Path) -> None:
    found = read(tmp_path, "site,date\nNorth,2023-09-14\nSouth,2024-01-03\n")
    assert biofix_starts(found) == {
        ("North", 2023): np.datetime64("2023-09-14", "ns"),
        ("South", 2023): np.datetime64("2024-01-03", "ns"),
    }


def test_all_faults_are_told(tmp_path: Path) -> None:
    with pytest.raises(DataError) as caught:
        read(
            tmp_path,
            "site,date\nNorth,2023-06-14\n,2023-09-01\nSouth,2023-09-02\nSouth,2024-01-03\nSouth,soon\n",
        )
    assert [(p.row, p.column) for p in caught.value.problems] == [
        (2, "date"),
        (3, "site"),
        (5, "date"),
        (6, "date"),
    ]
    assert "second biofix in the season 2023/24" in caught.value.problems[2].finding


def watched(first: str = "2024-05-01", counts: tuple[int, ...] = (3, 0, 5, 7)) -> TrapYears:
    """Return one trap-year with checks a week apart from a day on, and another one with the same."""
    traps = pd.DataFrame(
        {
            "trap": ["A", "B"], "site": ["North", "South"], "latitude": 44.0, "longitude": -98.0,
            "elevation_m": 400.0, "station": None,
        }
    )  # fmt: skip
    days = pd.date_range(first, periods=len(counts) + 1, freq="7D")
    rows = [
        {"trap": trap, "set": begin, "check": end, "count": float(count), "status": "counted", "effort": 1.0,
         "row": k + 2}
        for trap in ("A", "B")
        for k, (begin, end, count) in enumerate(zip(days[:-1], days[1:], counts, strict=True))
    ]  # fmt: skip
    return build_trap_years(traps, pd.DataFrame(rows), Season.parse("01-01", "10-31"))


def test_checks_that_begin_before_the_biofix_are_left_out_and_counted() -> None:
    records = watched()
    # The second check begins on 8 May at midnight: on the day of the biofix it stays.
    found, dropped = since_biofix(records, {("North", 2024): np.datetime64("2024-05-08")})
    assert dropped.to_dict("records") == [
        {
            "trap": "A",
            "season": "2024",
            "reason": "the interval begins before the biofix",
            "rows": 1,
            "moths": 3,
        }
    ]
    assert found.years[["trap", "total", "checks"]].to_numpy().tolist() == [["A", 12, 3], ["B", 15, 4]]
    assert found.intervals.loc[found.intervals["trap"] == "A", "start"].min() == pd.Timestamp("2024-05-08")
    assert found.years["total"].dtype == records.years["total"].dtype
    # A trap-year that lies before its biofix goes, and the other keeps its number.
    gone, dropped = since_biofix(records, {("North", 2024): np.datetime64("2024-07-01")})
    assert gone.years["trap_year"].tolist() == [1]
    assert dropped["rows"].tolist() == [4]


@pytest.mark.parametrize("starts", [None, {}, {("North", 2023): np.datetime64("2023-07-01")},
                                    {("North", 2024): np.datetime64("NaT")}])  # fmt: skip
def test_nothing_is_left_out_without_a_biofix(starts: dict[tuple[str, int], np.datetime64] | None) -> None:
    records = watched()
    found, dropped = since_biofix(records, starts)
    assert found is records
    assert dropped.empty


def test_a_first_catch_before_the_biofix_leaves_the_trap_year_out() -> None:
    records = watched()
    starts = {("North", 2024): np.datetime64("2024-05-08")}
    found, dropped = since_biofix(records, starts, first_catch=True)
    assert found.years["trap"].tolist() == ["B"]
    assert "moths were caught before the biofix" in dropped["reason"].item()
    assert dropped["rows"].item() == 4
    # Checks without moths before it do no harm: they say that the first catch came later.
    none = watched(counts=(0, 0, 5, 7))
    assert since_biofix(none, starts, first_catch=True)[0] is none
