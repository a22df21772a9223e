"""Separators of thousands in a whole study: refused or declared, never read as something else."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from phenofit.cli.dispatch import main
from phenofit.files.cells import parse_numbers
from phenofit.files.tables import read_table
from tests.validate.study_files import write_study


def with_count(folder: Path, cell: str, *, thousands: str = "") -> tuple[Path, int]:
    """Write a study with one count replaced; return its file and the row of the count."""
    path = write_study(folder)
    lines = (folder / "catches.csv").read_text("utf-8").splitlines()
    at = next(i for i, line in enumerate(lines[1:], start=1) if line.split(",")[-1].isdigit())
    lines[at] = ",".join([*lines[at].split(",")[:-1], f'"{cell}"'])
    (folder / "catches.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    if thousands:
        text = path.read_text("utf-8").replace("[catches]\n", f'[catches]\nthousands = "{thousands}"\n')
        path.write_text(text, encoding="utf-8")
    return path, at + 1


@pytest.mark.parametrize("cell", ["1,000", "1.000", "12,000", "9" * 20])
@pytest.mark.parametrize("command", ["check", "fit"])
def test_no_command_reads_them_as_small_counts(
    cell: str, command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, row = with_count(tmp_path, cell)
    assert main([command, str(path)]) == 2
    shown = capsys.readouterr()
    assert f"catches.csv, row {row}, column 'count': '{cell}'" in shown.err
    assert "no problems" not in shown.out


def test_a_declared_separator_counts_thousands(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def moths(cell: str, name: str, thousands: str = "") -> str:
        (tmp_path / name).mkdir()
        path, _ = with_count(tmp_path / name, cell, thousands=thousands)
        assert main(["check", str(path)]) == 0
        out = capsys.readouterr().out
        return out.replace(str(tmp_path / name), "")

    assert moths("1,000", "declared", ",") == moths("1000", "plain")


def test_an_unknown_separator_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, _ = with_count(tmp_path, "7", thousands="_")
    assert main(["check", str(path)]) == 2
    assert "'_' is not accepted" in capsys.readouterr().err


def numbers(
    folder: Path, cells: list[str], delimiter: str = ",", *, low: float = -np.inf, high: float = np.inf
) -> tuple[list[float], list[str]]:
    path = folder / "table.csv"
    rows = "\n".join(f'x{delimiter}"{cell}"' for cell in cells)
    path.write_text(f"name{delimiter}value\n{rows}\n", encoding="utf-8")
    values, problems = parse_numbers(
        read_table(path, required=["name", "value"]), "value", low=low, high=high
    )
    return values.tolist(), [p.finding for p in problems]


def test_a_height_that_may_be_thousands_is_refused(tmp_path: Path) -> None:
    for delimiter, cell in ((",", "1.200"), (";", "1,200"), (";", "1.200")):
        values, found = numbers(tmp_path, [cell, "300"], delimiter, low=-430.0, high=8849.0)
        assert found == [f"'{cell}' may be 1200 or 1.2."]
        assert np.isnan(values[0])


def test_one_reading_in_range_is_no_question(tmp_path: Path) -> None:
    # 44123 degrees north are none, and 450125 m are no height; temperatures have no stated range.
    assert numbers(tmp_path, ["44.123"], low=-90.0, high=90.0) == ([44.123], [])
    assert numbers(tmp_path, ["450.125"], low=-430.0, high=8849.0) == ([450.125], [])
    assert numbers(tmp_path, ["12.345"]) == ([12.345], [])


def test_another_cell_of_the_column_settles_it(tmp_path: Path) -> None:
    assert numbers(tmp_path, ["1.200", "300.5"], low=-430.0, high=8849.0) == ([1.2, 300.5], [])
    assert numbers(tmp_path, ["0.125", "1.200"], low=-430.0, high=8849.0) == ([0.125, 1.2], [])
    # Digits without a separator do not.
    assert len(numbers(tmp_path, ["1.200", "1200"], low=-430.0, high=8849.0)[1]) == 1
