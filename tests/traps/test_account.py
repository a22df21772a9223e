"""The account of the catches as a table and as text."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from phenofit.seasons import Season
from phenofit.traps import build_trap_years
from phenofit.traps.account import catch_account, left_out_by_reason, left_out_words
from tests.traps.sheets import catches, trap_frame

NORTH = Season.parse("01-01", "10-31")


def test_reasons_are_added_up_without_the_day_of_a_station() -> None:
    first = pd.DataFrame(
        {
            "trap": ["A", "B", "A"],
            "reason": ["no temperature on 2024-05-03", "no temperature on 2024-06-01", "lost"],
            "rows": [2, 3, 1],
            "moths": [5, 7, 0],
        }
    )
    found = left_out_by_reason([first, first.iloc[:0]])
    assert found.to_numpy().tolist() == [["lost", 1, 0, 1], ["no temperature", 5, 12, 2]]
    assert left_out_words(found) == ["0 moths in 1 check (lost)", "12 moths in 5 checks (no temperature)"]
    # A table that does not know its moths, such as an older fit file, makes the sum unknown, not smaller.
    older = first.drop(columns="moths").iloc[2:]
    assert left_out_words(left_out_by_reason([first, older])) == [
        "2 checks (lost)",
        "12 moths in 5 checks (no temperature)",
    ]
    assert left_out_by_reason([]).empty


def test_catches_known_from_below_count_where_their_trap_year_is_used(tmp_path: Path) -> None:
    text = "trap,set,date,count\n" + "".join(
        f"{trap},2024-06-01,2024-06-08,{count}\n{trap},,2024-06-15,{more}\n"
        for trap, count, more in (("A", ">10", "1"), ("B", ">20", "T"))
    )
    table = catches(tmp_path, text)
    years = build_trap_years(trap_frame("A", "B"), table, NORTH)
    gone = pd.DataFrame({"trap": ["B"], "season": ["2024"], "reason": ["far"], "rows": [2], "moths": [21]})
    found = catch_account(table, years, years.years.iloc[:1], gone, species="moth", file="c.csv")
    assert found.lines() == [
        "moth: 32 moths in 4 checks of c.csv",
        "  used in the fit: 11 moths in 2 checks, 1 trap-year in 1 season (2024), 10 moths of them not counted exactly",
        "  left out: 21 moths in 2 checks (far)",
    ]
    nothing = catch_account(table, years, years.years, gone.iloc[:0], species="moth", file="c.csv")
    assert nothing.lines()[1] == (
        "  used in the fit: 32 moths in 4 checks, 2 trap-years in 1 season (2024), 31 moths of them not counted exactly"
    )
    assert len(nothing.lines()) == 2
