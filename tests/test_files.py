"""Files are whole or absent, cells are safe, and hashes and versions are right."""

from __future__ import annotations

import csv
import hashlib
import os
import subprocess
from pathlib import Path

import hypothesis.strategies as st
import numpy as np
import pandas as pd
import pytest
from hypothesis import given

from phenofit.files import file_hash, safe_cell, versions, write_csv, write_text, writing


def _names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_a_failed_write_leaves_the_old_file_and_no_litter(tmp_path: Path) -> None:
    target = tmp_path / "flights.csv"
    write_text(target, "old")

    def stop_half_way() -> None:
        with writing(target) as temporary:
            temporary.write_text("half")
            raise RuntimeError("power cut")

    with pytest.raises(RuntimeError, match="power cut"):
        stop_half_way()
    assert target.read_text() == "old"
    assert _names(tmp_path) == ["flights.csv"]


def test_a_good_write_makes_folders_and_readable_files(tmp_path: Path) -> None:
    target = tmp_path / "new" / "deeper" / "report.html"
    write_text(target, "grüße\n")
    assert target.read_bytes() == "grüße\n".encode()
    assert target.stat().st_mode & 0o777 == (0o644 if os.name == "posix" else 0o666)
    assert _names(target.parent) == ["report.html"]


def test_the_temporary_name_keeps_the_ending(tmp_path: Path) -> None:
    with writing(tmp_path / "map.nc") as temporary:
        assert temporary.suffix == ".nc"
        assert temporary.parent == tmp_path


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_cells_that_a_spreadsheet_would_run_are_defused(start: str) -> None:
    # The six first characters that spreadsheets take as a formula (OWASP, CSV Injection; cited in
    # CVE-2021-41270).
    assert safe_cell(f"{start}cmd") == f"'{start}cmd"


@pytest.mark.parametrize("value", [-3.5, 0, None, "trap 1", "", np.float64(-1.0)])
def test_other_cells_pass_unchanged(value: object) -> None:
    assert safe_cell(value) is value


@given(st.lists(st.text(st.characters(codec="utf-8", exclude_characters="\r\x00")), min_size=2, max_size=2))
def test_cells_come_back_as_they_went(tmp_path_factory: pytest.TempPathFactory, cells: list[str]) -> None:
    target = tmp_path_factory.mktemp("csv") / "table.csv"
    write_csv(target, ["a", "b"], [cells])
    with target.open(encoding="utf-8", newline="") as stream:
        header, row = list(csv.reader(stream))
    assert header == ["a", "b"]
    assert row == [safe_cell(c) for c in cells]


def test_missing_values_are_empty_cells(tmp_path: Path) -> None:
    target = tmp_path / "t.csv"
    row = {"low": np.nan, "high": None, "date": pd.NaT, "count": pd.NA, "note": "x", "zero": 0}
    write_csv(target, [*row, "absent"], [row])
    assert target.read_text() == "low,high,date,count,note,zero,absent\n,,,,x,0,\n"


def test_hash_is_sha_256(tmp_path: Path) -> None:
    target = tmp_path / "abc"
    target.write_bytes(b"abc")
    # Source: the one-block example "abc" of FIPS 180-2, appendix B.1.
    assert file_hash(target) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    target.write_bytes(bytes(range(256)) * 5000)
    try:
        other = subprocess.run(
            ["sha256sum", target], capture_output=True, text=True, check=True
        ).stdout.split()[0]
    except FileNotFoundError:
        other = hashlib.sha256(target.read_bytes()).hexdigest()
    assert file_hash(target) == other


def test_versions_name_what_a_result_depends_on() -> None:
    found = versions()
    assert {"phenofit", "python", "numpy", "scipy", "pandas", "xarray", "numba", "statsmodels"} <= set(found)
    assert found["numpy"] == np.__version__
