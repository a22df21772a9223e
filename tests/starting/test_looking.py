"""What the cells of a table show: against counts by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from phenofit.starting.looking import (
    backwards,
    count_like,
    count_words,
    date_evidence,
    date_readings,
    gaps_in_days,
    is_summer,
    over_new_year,
    unit_readings,
    warmest_month,
)
from tests.starting.tables import sheet_of


@pytest.mark.parametrize(
    ("cells", "orders"),
    [
        (["2024-05-03", "2024-05-13"], ["year-first"]),
        (["05/03/2024", "05/13/2024"], ["month-first"]),
        (["03.05.2024", "13.05.2024"], ["day-first"]),
        (["05/03/2024", "06/07/2024"], ["month-first", "day-first"]),
        (["3-May-2024"], ["year-first", "month-first", "day-first"]),
        (["trap 1", "05/03/2024"], []),
        (["12", "340"], []),
        ([""], []),
    ],
)
def test_the_orders_in_which_cells_are_dates(cells: list[str], orders: list[str]) -> None:
    assert [reading.order for reading in date_readings(cells)] == orders


def test_one_bad_date_in_twenty_leaves_the_order_incomplete() -> None:
    cells = [f"{day:02d}.05.2024" for day in range(1, 21)] + ["31.06.2024"]
    (reading,) = [r for r in date_readings(cells) if r.order == "day-first"]
    assert (reading.read, reading.cells, reading.complete) == (20, 21, False)
    assert any("'31.06.2024' is not" in text for text in date_evidence("Date", cells, [reading]))


def test_the_evidence_counts_rows_and_not_different_cells() -> None:
    cells = ["13/05/2024", "13/05/2024", "02/05/2024", "14/05/2024"]
    (text,) = date_evidence("Date", cells, date_readings(cells))
    # Three of the four cells begin with 13 or 14.
    assert text == "'Date' has a number above 12 in the first place in 3 rows, such as '13/05/2024'."
    assert "in the second place in 1 row," in date_evidence("Date", ["05/13/24"], [])[0]
    assert date_evidence("Date", ["05/03/24"], []) == (
        "'Date' has no number above 12 in the first or second place.",
    )


def test_rows_that_go_backwards_speak_against_an_order() -> None:
    cells = ["05/01/2024", "05/08/2024", "06/05/2024", "05/02/2024"]
    traps = ["A", "A", "A", "B"]
    found = {r.order: backwards(traps, cells, r) for r in date_readings(cells)}
    # Day-first: 5 January, 5 August, 6 May (back), and another trap.
    assert found == {"month-first": 0, "day-first": 1}


def test_gaps_are_within_a_trap_and_a_season() -> None:
    days = np.array(
        ["2023-09-01", "2023-09-08", "2024-05-01", "2024-05-04", "2023-09-02", "NaT"], dtype="datetime64[ns]"
    )
    traps = ["A", "A", "A", "A", "B", "B"]
    assert gaps_in_days(traps, days).tolist() == [7, 3]


def test_a_season_over_new_year_is_seen() -> None:
    days = np.array(["2023-12-28", "2024-01-04", "2024-12-27", "2025-01-03"], dtype="datetime64[ns]")
    assert over_new_year(["A"] * 4, days) == 2
    assert over_new_year(["A", "B", "A", "B"], days) == 0


@pytest.mark.parametrize(
    ("cells", "counts"),
    [
        (["0", "3", ">100", ""], True),
        (["0.5", "1,25"], True),
        (["T", "4", "lost"], True),
        (["North", "South"], False),
        (["-3", "4"], False),
        (["2024-05-03", "2024-06-03"], False),
        (["1", "a", "b", "c", "d"], False),
        (["", ""], False),
    ],
)
def test_which_columns_may_hold_counts(cells: list[str], counts: bool, tmp_path: Path) -> None:
    sheet = sheet_of(tmp_path, "id,n\n" + "".join(f'r,"{cell}"\n' for cell in cells))
    assert count_like(sheet.looks["n"]) is counts


def test_a_column_is_counted_cell_by_cell(tmp_path: Path) -> None:
    sheet = sheet_of(tmp_path, "id;n\na;1,5\nb;2\nc;2\nd;\ne;x\n")
    look = sheet.looks["n"]
    assert (look.filled, look.blank, look.numbers, look.fractions) == (4, 1, 3, 1)
    assert (look.low, look.high, look.distinct) == (1.5, 2.0, ("1,5", "2", "x"))


def test_words_without_a_meaning_are_counted() -> None:
    cells = ["0", "NA", "na", "NA", "lost", "T", "", "12 moths"]
    assert count_words(cells) == {"NA": 2, "na": 1}


@pytest.mark.parametrize(
    ("celsius", "unit", "value"), [(22.0, "degC", 22.0), (22.0, "degF", 71.6), (22.0, "kelvin", 295.15)]
)
def test_a_summer_makes_sense_in_one_unit_only(celsius: float, unit: str, value: float) -> None:
    sensible = {name: got for name, got in unit_readings(value).items() if is_summer(got)}
    assert sensible == {unit: pytest.approx(celsius)}


def test_between_40_and_46_degrees_two_units_are_possible_or_none() -> None:
    # 40 degC is 104 degF: no number is a summer in both, so that the ranges must not meet.
    both = [t for t in np.arange(-60.0, 330.0, 0.5) if sum(map(is_summer, unit_readings(t).values())) > 1]
    assert both == []


def test_the_warmest_month_is_of_the_calendar_and_not_of_one_year() -> None:
    days = np.arange("2021-01-01", "2023-01-01", dtype="datetime64[D]").astype("datetime64[ns]")
    month = days.astype("datetime64[M]").astype(int) % 12
    mean = np.where(month == 6, 20.0, 5.0) + np.where(days < np.datetime64("2022-01-01"), 4.0, 0.0)
    warmest, months = warmest_month(mean - 3.0, mean + 3.0, days)
    assert warmest == pytest.approx(22.0)  # July: 24 in one year, 20 in the other
    assert months == 12
    nothing, none = warmest_month(np.array([np.nan]), np.array([1.0]), days[:1])
    assert np.isnan(nothing)
    assert none == 0
