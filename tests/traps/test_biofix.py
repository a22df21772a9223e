"""The biofix table: one start of the heat sum for each site and season."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenofit.errors import DataError
from phenofit.seasons import Season
from phenofit.traps import biofix_starts, read_biofix

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
