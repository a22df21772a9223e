"""Catch tables in moths per night: counts by hand, what is refused, and the study key."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenofit.cli import main
from phenofit.errors import DataError, ModelError
from phenofit.study import read_records
from phenofit.traps import read_catches
from tests.validate.study_files import write_study


def read(path: Path, text: str, **options: str) -> pd.DataFrame:
    """Read a catch table in moths per night."""
    file = path / "catches.csv"
    file.write_text(text, "utf-8")
    keys = {"dates": "year-first", "blank": "not checked", "unit": "moths per night", **options}
    return read_catches(file, **keys)  # type: ignore[arg-type]


def faults(path: Path, text: str, **options: str) -> list[str]:
    """Return the problems of a table as text."""
    with pytest.raises(DataError) as fault:
        read(path, text, **options)
    return [str(problem) for problem in fault.value.problems]


SHEET = """\
trap,set,date,count,effort
A,2024-06-01,2024-06-08,1.43,1
A,,2024-06-15,0,1
A,,2024-06-22,,1
A,,2024-06-29,0.5,2
A,,2024-07-01,lost,1
A,,2024-07-05,2,1
"""


def test_a_rate_times_its_nights_is_the_count(tmp_path: Path) -> None:
    # By hand: 1.43 x 7 = 10.01; 0.5 x 14, since the check of 22 June was not made; 2 x 4 since the lost trap.
    table = read(tmp_path, SHEET)
    np.testing.assert_array_equal(table["count"], [10.0, 0.0, np.nan, 7.0, np.nan, 8.0])
    assert table["status"].tolist() == ["counted", "counted", "missing", "counted", "lost", "counted"]
    assert table["effort"].tolist() == [1.0, 1.0, 1.0, 2.0, 1.0, 1.0]
    assert table.attrs["notes"] == (
        "3 rates per night times their nights: 25.01 moths before rounding, 25 after.",
    )


def test_nights_of_a_column_come_first_and_may_be_blank(tmp_path: Path) -> None:
    text = "trap;date;count;n\nA;2024-06-08;1,5;4\nA;2024-06-15;2;\nA;2024-06-22;3;6\n"
    (tmp_path / "catches.csv").write_text(text, "utf-8")
    table = read_catches(
        tmp_path / "catches.csv",
        dates="year-first",
        blank="zero",
        unit="moths per night",
        columns={"nights": "n"},
    )
    assert table["count"].tolist() == [6.0, 14.0, 18.0]


def test_nights_are_calendar_nights_whatever_the_hour_and_the_other_species(tmp_path: Path) -> None:
    text = (
        "trap,date,count,species,set\nA,2024-06-08 21:00,2,a,2024-06-01 06:00\nA,2024-06-08 21:00,1,b,2024-06-01 06:00\n"
        "A,2024-06-10 05:00,3,a,\nA,2024-06-10 05:00,0.5,b,\n"
    )
    assert read(tmp_path, text)["count"].tolist() == [14.0, 7.0, 6.0, 1.0]


@pytest.mark.parametrize(
    ("rate", "says"),
    [
        (
            "1.4",
            "'1.4' per night times 7 nights is 9.8, no whole number of moths (within 0.05). Write the rate with more",
        ),
        ("1.42", "'1.42' per night times 7 nights is 9.94, no whole number"),  # 0.06 away
        (">2", "a bound of a rate is no count. Write the rate itself, or give counts."),
        ("2+", "a bound of a rate is no count."),
        ("1,000.5", "'1,000.5' is not a number."),
        ("-1", "'-1' is a negative count."),
        ("few", "'few' is not a count."),
        ("9999999", "'9999999' per night is too large for a count."),
    ],
)
def test_what_is_no_count_is_refused_with_its_row(rate: str, says: str, tmp_path: Path) -> None:
    said = faults(tmp_path, f'trap,set,date,count\nA,2024-06-01,2024-06-08,"{rate}"\nA,,2024-06-15,1\n')
    assert len(said) == 1
    assert "catches.csv, row 2, column 'count'" in said[0]
    assert says in said[0]


@pytest.mark.parametrize("before", ["", "A,2023-10-30,0\n"])
def test_unknown_nights_are_refused_unless_the_rate_is_zero(before: str, tmp_path: Path) -> None:
    # The check before is of last season: its 222 nights are not those of the catch.
    said = faults(tmp_path, f"trap,date,count\n{before}A,2024-06-08,1.5\nA,2024-06-15,1\n")
    assert len(said) == 1
    assert "the nights of '1.5' per night are not known." in said[0]
    assert "'set'" in said[0]
    assert "'nights'" in said[0]
    assert (
        read(tmp_path, f"trap,date,count\n{before}A,2024-06-08,0\nA,2024-06-15,1\n")["count"].iloc[-1] == 7.0
    )


def test_faulty_nights_are_one_problem_each(tmp_path: Path) -> None:
    said = faults(tmp_path, "trap,date,count,nights\nA,2024-06-08,1.5,none yet\nA,2024-06-15,1,0\n")
    assert len(said) == 2
    assert all("column 'nights'" in text for text in said)


def test_unknown_units_are_refused(tmp_path: Path) -> None:
    (tmp_path / "catches.csv").write_text("trap,date,count\nA,2024-06-08,1\n", "utf-8")
    with pytest.raises(ModelError, match="unit = 'per week' is not accepted"):
        read_catches(tmp_path / "catches.csv", dates="year-first", blank="zero", unit="per week")


def rates_study(folder: Path) -> tuple[Path, Path]:
    """Return the same study in counts and in rates of three digits."""
    study = write_study(folder)
    table = pd.read_csv(folder / "catches.csv", dtype=str, keep_default_na=False)
    check, start = pd.to_datetime(table["check"]), pd.to_datetime(table["set"])
    emptied = check.where(table["count"] != "").groupby(table["trap"]).ffill().groupby(table["trap"]).shift()
    nights = (check - start.fillna(emptied)).dt.days
    number = pd.to_numeric(table["count"], errors="coerce")
    table["count"] = [
        f"{n / k:.4f}" if n > 0 and k > 0 else text
        for n, k, text in zip(number, nights, table["count"], strict=True)
    ]
    table.to_csv(folder / "rates.csv", index=False)
    text = study.read_text("utf-8").replace('"catches.csv"', '"rates.csv"\nunit = "moths per night"')
    (folder / "rates.toml").write_text(text, "utf-8")
    return study, folder / "rates.toml"


def test_a_study_in_rates_has_the_records_of_its_counts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    counts, rates = rates_study(tmp_path)
    one, other = (next(iter(read_records(path).values())).trap_years for path in (counts, rates))
    pd.testing.assert_frame_equal(one.intervals, other.intervals)
    assert main(["check", str(rates)]) == 0
    said = capsys.readouterr().out
    assert "rates.csv: " in said
    assert " rates per night times their nights: " in said
    assert f" moths before rounding, {int(one.intervals['count'].sum())} after." in said


@pytest.mark.parametrize(
    ("key", "says"),
    [
        ('unit = "moths per night"\nthousands = ","', "'thousands' has no effect on rates per night"),
        ('unit = "per night"', "moths per night"),
    ],
)
def test_keys_that_do_not_go_together_are_refused(
    key: str, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study = write_study(tmp_path)
    study.write_text(
        study.read_text("utf-8").replace('file = "catches.csv"', f'file = "catches.csv"\n{key}'), "utf-8"
    )
    assert main(["check", str(study)]) == 2
    assert says in capsys.readouterr().err
