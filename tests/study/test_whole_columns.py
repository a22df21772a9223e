"""A column that is wrong as a whole is one line with its rows, in `check`, `fit` and Python alike."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from phenofit.cli import main
from phenofit.errors import DataError, Problem, problem_lines
from phenofit.study import check_study, load_study, read_inputs
from tests.study.studies import CATCHES, STATIONS, STUDY, TRAPS, WEATHER, write_study

ROWS = CATCHES.splitlines()[1:]


def catches(change: Callable[[list[str]], list[str]]) -> str:
    """Return the sound catch table with the cells of every row changed."""
    return "trap,date,count\n" + "".join(",".join(change(row.split(","))) + "\n" for row in ROWS)


def us_date(day: str) -> str:
    year, month, date = day.split("-")
    return f"{month}/{date}/{year}"


def said(path: Path, command: str, capsys: pytest.CaptureFixture[str]) -> list[str]:
    """Return the problems that a command prints, without its own first line."""
    assert main([command, str(path)]) == 2
    shown = capsys.readouterr().err
    assert "internal error" not in shown
    lines = shown.splitlines()
    return [line.strip() for line in lines[1:]] if len(lines) > 1 else [lines[0].removeprefix("phenofit: ")]


@pytest.mark.parametrize(
    ("change", "place", "words"),
    [
        (lambda r: [r[0], us_date(r[1]), r[2]], "row 4, column 'date'",
         "all 12 dates look month-first; 6 of them"),
        (lambda r: [r[0], us_date(r[1]).replace("06/01", "06/29"), r[2]], "row 2, column 'date'",
         'all 12 dates look month-first'),
        (lambda r: [r[0], f"{r[1][8:]}JNE2024", r[2]], "row 2, column 'date'", "is not a date."),
        (lambda r: [r[0], f"454{r[1][8:]}", r[2]], "row 2, column 'date'", "a day number of a spreadsheet"),
        (lambda r: [r[0], "", r[2]], "row 2, column 'date'", "has no date."),
        (lambda r: [r[0], r[1], f"{r[2]}.5"], "row 2, column 'count'", "is not a whole number"),
        (lambda r: [r[0], r[1], "9" * 20], "row 2, column 'count'", "too large for a count"),
        (lambda r: [r[0], r[1], f"{r[2]} moths"], "row 2, column 'count'", "is not a count"),
        (lambda r: [f"X{r[0]}", r[1], r[2]], "row 2, column 'trap'", "is not in the trap table"),
    ],
)  # fmt: skip
def test_a_catch_column_that_is_wrong_as_a_whole(
    change: Callable[[list[str]], list[str]],
    place: str,
    words: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    order = "day-first" if "look month-first; 6" in words else "year-first"
    study = STUDY.replace('dates = "year-first"', f'dates = "{order}"', 1)
    path = write_study(tmp_path, study=study, catches=catches(change))
    checked, fitted = (said(path, command, capsys) for command in ("check", "fit"))
    assert checked == fitted
    assert len(checked) <= 3  # of the unknown traps there are three
    assert checked[0].startswith(f"catches.csv, {place}: ")
    assert words in checked[0]
    with pytest.raises(DataError) as caught:
        read_inputs(load_study(path))
    assert problem_lines(caught.value.problems) == checked
    assert tuple(caught.value.problems) == check_study(path)
    if "look" in words:
        assert checked[0].endswith('Set [catches] dates = "month-first".')
    elif "trap" not in place:
        assert len(caught.value.problems) == 12  # one line, and still as many problems as there are rows
        assert checked[0].endswith("The same in 11 other rows: 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13.")


@pytest.mark.parametrize("rows", ["", "\n", ",,\n"])
def test_a_table_of_a_header_alone(rows: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_study(tmp_path, catches="trap,date,count\n" + rows)
    checked, fitted = (said(path, command, capsys) for command in ("check", "fit"))
    assert checked == fitted == ["catches.csv: the table has no row. List one check per row."]


@pytest.mark.parametrize(
    ("table", "text", "words"),
    [
        ("weather", WEATHER.replace("2024-", "").replace("S1,", "S1,2024/").replace("S2,", "S2,2024/"),
         "is not a date"),
        ("weather", "\n".join([line if not i else f"{line} C" for i, line in enumerate(WEATHER.splitlines())]),
         "is not a number"),
        ("traps", TRAPS.replace(",-98", ",98W-"), "is not a number"),
        ("stations", STATIONS.replace(",44.", ",44N"), "is not a number"),
    ],
)  # fmt: skip
def test_another_table_with_a_column_that_is_wrong_as_a_whole(
    table: str, text: str, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_study(tmp_path, **{table: text})
    checked, fitted = (said(path, command, capsys) for command in ("check", "fit"))
    assert checked == fitted
    assert words in checked[0]
    assert len(checked) <= 3


def test_a_biofix_table_in_another_order_names_its_own_setting(tmp_path: Path) -> None:
    study = STUDY.replace(
        'start = "01-01"\nend', 'start = "biofix"\nbiofix = "biofix.csv"\ndates = "year-first"\nend'
    )
    found = check_study(write_study(tmp_path, study=study, biofix="site,date\nA,14/05/2024\nB,17/05/2024\n"))
    assert [p.remedy for p in found] == ['Set [season] dates = "day-first".']


def test_a_start_column_in_another_order(tmp_path: Path) -> None:
    rows = [f"{row},{us_date(row.split(',')[1]).replace('06/', '05/')}" for row in ROWS]
    found = check_study(write_study(tmp_path, catches="\n".join(["trap,date,count,set", *rows]) + "\n"))
    assert [(p.row, p.column) for p in found] == [(2, "set")]
    assert "all 12 dates look month-first" in found[0].finding


def test_dates_that_two_orders_can_read_are_not_guessed(tmp_path: Path) -> None:
    text = catches(
        lambda r: [
            r[0],
            "/".join(reversed(r[1].replace("-15", "-11").replace("-22", "-12").split("-"))),
            r[2],
        ]
    )
    (problem,) = check_study(write_study(tmp_path, catches=text))
    assert "look month-first or day-first" in problem.finding
    assert problem.remedy == "Set [catches] dates to one of the two: month-first or day-first."


def test_problems_of_one_kind_are_one_line_with_their_rows() -> None:
    def problems(number: int, row: int | None = 0) -> list[Problem]:
        return [
            Problem(f"'{i}' is wrong.", "Mend it.", "t.csv", None if row is None else i + 2, "a")
            for i in range(number)
        ]

    assert problem_lines(problems(1)) == ["t.csv, row 2, column 'a': '0' is wrong. Mend it."]
    (line,) = problem_lines(problems(2))
    assert line == "t.csv, row 2, column 'a': '0' is wrong. Mend it. The same in 1 other row: 3."
    (line,) = problem_lines(problems(4))
    assert line == "t.csv, row 2, column 'a': '0' is wrong. Mend it. The same in 3 other rows: 3, 4, 5."
    (line,) = problem_lines(problems(100))
    assert line.endswith("in 99 other rows: 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14 and 87 more.")
    # Without a row, the quoted text alone distinguishes the places.
    (line,) = problem_lines(problems(3, None))
    assert line == "t.csv, column 'a': '0' is wrong. Mend it. The same for '1', '2'."
    assert problem_lines(problems(15, None))[0].endswith("'11', '12' and 2 more.")
    # Another kind, column or file is another line.
    others = [
        *problems(5),
        Problem("'x' is odd.", "Mend it.", "t.csv", 3, "a"),
        Problem("'x' is wrong.", "Mend it.", "t.csv", 3, "b"),
    ]
    assert len(problem_lines(others)) == 3
    assert str(DataError(problems(9))).startswith("9 problems:")
