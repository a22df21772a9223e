"""The reader of delimited text; sample values invented."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from phenofit.errors import DataError, ModelError
from phenofit.files.cells import parse_dates, parse_numbers, two_digit_year_notes
from phenofit.files.tables import read_table


def write(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / "table.csv"
    path.write_bytes(text.encode(encoding))
    return path


def dates_of(folder: Path, order: str, *texts: str) -> tuple[list[str], list[str]]:
    table = read_table(
        write(folder, "date;x\n" + "\n".join(f"{t};1" for t in texts) + "\n"), required=["date"]
    )
    values, problems = parse_dates(table, "date", order)
    return [str(v)[:16] for v in values], [str(p) for p in problems]


def test_rows_are_file_lines_even_with_a_cell_over_two_lines(tmp_path: Path) -> None:
    table = read_table(
        write(tmp_path, 'trap,note\r\nA,"first\r\nsecond"\r\nB,x\r\n'), required=["trap", "note"]
    )
    assert table.rows.tolist() == [2, 4]


def test_unbalanced_quote_is_told_with_its_row(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="row 3: the row cannot be split"):
        read_table(write(tmp_path, 'trap,note\nA,x\nB,"open\n'), required=["trap"])


def test_mapping_to_an_absent_column_names_those_seen(tmp_path: Path) -> None:
    with pytest.raises(
        DataError, match=r"there is no column 'Plot' \(for 'trap'\)\. The columns seen are: 'PlotID'"
    ):
        read_table(write(tmp_path, "PlotID,n\nA,1\n"), columns={"trap": "Plot"}, required=["trap"])


def test_unknown_setting_gets_the_nearest_name(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="Did you mean 'trap'"):
        read_table(write(tmp_path, "trap,n\nA,1\n"), columns={"trpa": "trap"}, required=["trap"])


def test_column_that_stands_twice(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="the column is a duplicate"):
        read_table(write(tmp_path, "trap,count,Count\nA,1,2\n"), required=["trap", "count"])


def test_other_columns_are_kept_only_when_asked(tmp_path: Path) -> None:
    path = write(tmp_path, "trap,lure\nA,x\n")
    assert list(read_table(path, required=["trap"]).frame) == ["trap"]
    assert list(read_table(path, required=["trap"], keep_others=True).frame) == ["trap", "lure"]


def test_utf16_with_mark_and_tabs(tmp_path: Path) -> None:
    table = read_table(write(tmp_path, "trap\tcount\nA\t3\n", "utf-16"), required=["trap", "count"])
    assert table.frame["count"].tolist() == ["3"]
    assert table.delimiter == "\t"


def test_row_of_one_known_trap_is_no_footnote(tmp_path: Path) -> None:
    table = read_table(write(tmp_path, "trap,count\nA,3\nB,1\nA,\n"), required=["trap", "count"])
    assert len(table.frame) == 3


def test_empty_and_header_only_files(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="the file is empty"):
        read_table(write(tmp_path, "\n\n"), required=["trap"])
    assert len(read_table(write(tmp_path, "trap,count\n"), required=["trap"]).frame) == 0


@pytest.mark.parametrize(
    ("order", "text", "day"),
    [
        ("year-first", "2024-05-03", "2024-05-03"),
        ("year-first", "2024/5/3", "2024-05-03"),
        ("year-first", "20240503", "2024-05-03"),
        ("month-first", "5/3/2024", "2024-05-03"),
        ("month-first", "7/9/20", "2020-07-09"),
        ("day-first", "03.05.2024", "2024-05-03"),
        ("day-first", "3-May-2024", "2024-05-03"),
        ("month-first", "May 3, 2024", "2024-05-03"),
        ("day-first", "29.02.2024", "2024-02-29"),
    ],
)
def test_dates_by_declared_order(tmp_path: Path, order: str, text: str, day: str) -> None:
    values, problems = dates_of(tmp_path, order, text)
    assert problems == []
    assert values[0][:10] == day


@pytest.mark.parametrize(
    ("order", "text", "finding"),
    [
        ("month-first", "2024-05-03", "has its year first, but the declared order is month-first"),
        ("year-first", "03/05/2024", "has its year last, but the declared order is year-first"),
        ("day-first", "29.02.2023", "is no day of the calendar"),
        ("year-first", "45413", "is a day number of a spreadsheet"),
        ("year-first", "soon", "is not a date"),
        ("year-first", "24-05-03", "has no year of four digits"),
        ("year-first", "2024-05-03 25:10", "has no such time of day"),
    ],
)
def test_dates_that_are_refused(tmp_path: Path, order: str, text: str, finding: str) -> None:
    values, problems = dates_of(tmp_path, order, text)
    assert values == ["NaT"]
    assert finding in problems[0]
    assert "row 2" in problems[0]


def test_time_of_day_and_default_hour(tmp_path: Path) -> None:
    table = read_table(write(tmp_path, "date,x\n2024-05-03,1\n2024-05-03 08:30,1\n"), required=["date"])
    values, _ = parse_dates(table, "date", "year-first", default_hour=12)
    assert [str(v)[11:16] for v in values] == ["12:00", "08:30"]
    with pytest.raises(ModelError, match="is not a form of dates"):
        parse_dates(table, "date", "DMY")


def test_years_of_two_digits_are_told(tmp_path: Path) -> None:
    table = read_table(write(tmp_path, "date,x\n7/9/20,1\n7/9/2021,1\n7/9/85,1\n"), required=["date"])
    values, problems = parse_dates(table, "date", "month-first")
    assert [str(v)[:4] for v in values] == ["2020", "2021", "1985"]
    assert not problems
    (note,) = two_digit_year_notes(table, ["date"])
    assert "2 dates with a two-digit year" in note


def test_digits_are_never_fused(tmp_path: Path) -> None:
    table = read_table(write(tmp_path, 'n;m\n1,3;5\n"2,5";x\n'), required=["n", "m"])
    values, problems = parse_numbers(table, "n")
    assert values.tolist() == [1.3, 2.5]
    assert problems == []
    _, problems = parse_numbers(table, "m")
    assert [p.row for p in problems] == [3]
    comma = read_table(write(tmp_path, 'n,m\n"1,3",5\n'), required=["n", "m"])
    values, problems = parse_numbers(comma, "n")
    assert np.isnan(values[0])
    assert "only where cells are separated by semicolons or tabs" in str(problems[0])


@pytest.mark.parametrize("text", ["1_000", "0x10", "1e", "inf", "12 C", "--3", "١٢"])
def test_what_is_no_number(tmp_path: Path, text: str) -> None:
    table = read_table(write(tmp_path, f"n;m\n{text};5\n"), required=["n", "m"])
    values, problems = parse_numbers(table, "n")
    assert np.isnan(values[0])
    assert "is not a number" in str(problems[0])


def test_long_and_odd_cells_are_shown_short_and_printable(tmp_path: Path) -> None:
    table = read_table(write(tmp_path, "n;m\n\x1b[31m" + "9" * 200 + "x;5\n"), required=["n", "m"])
    _, problems = parse_numbers(table, "n")
    assert "\x1b" not in str(problems[0])
    assert len(str(problems[0])) < 250


def test_range_and_required(tmp_path: Path) -> None:
    table = read_table(write(tmp_path, "n;m\n95;1\n;1\n"), required=["n", "m"])
    _, problems = parse_numbers(table, "n", required=True, low=-90, high=90, what="degrees north")
    assert [str(p).split(": ", 1)[1] for p in problems] == [
        "'95' is out of range. Accepted is degrees north from -90 to 90.",
        "has no value. Write degrees north.",
    ]
