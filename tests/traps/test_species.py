"""Several species in one catch table: a check that lists others only is not a zero unless its user says so."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenofit.errors import ModelError
from phenofit.traps import catches_of_species
from tests.traps.sheets import catches

SHEET = (
    "trap,date,count,species\n"
    "A,2024-06-01,2,red\nA,2024-06-01,1,blue\nA,2024-06-08,4,blue\nA,2024-06-15,lost,blue\nA,2024-06-22,1,Red\n"
    "B,2024-06-01,9,blue\n"
)


def test_unlisted_is_not_checked_unless_declared(tmp_path: Path) -> None:
    found, notes = catches_of_species(catches(tmp_path, SHEET), "red")
    assert found["count"].tolist() == [2.0, 1.0]
    (note,) = notes
    assert note.startswith("2 checks list other species, but not 'red': taken as not checked")
    assert 'unlisted_species = "zero"' in note


def test_unlisted_is_zero_where_declared_and_the_trap_was_read(tmp_path: Path) -> None:
    found, notes = catches_of_species(catches(tmp_path, SHEET), "RED", unlisted="zero")
    assert found["trap"].unique().tolist() == ["A"]  # B never held a red moth: it may be baited for blue ones
    assert found["status"].tolist() == ["counted", "counted", "lost", "counted"]
    assert found["count"].tolist()[:2] == [2.0, 0.0]
    assert np.isnan(found["count"][2])
    assert "taken as 0" in notes[0]


def test_a_table_of_one_species_stays_as_it_is(tmp_path: Path) -> None:
    table = catches(tmp_path, "trap,date,count\nA,2024-06-01,2\n")
    found, notes = catches_of_species(table, "red", unlisted="zero")
    pd.testing.assert_frame_equal(found, table)
    assert notes == ()
    with pytest.raises(ModelError, match="unlisted"):
        catches_of_species(table, "red", unlisted="maybe")
