"""Biofix dates from catches. The rules are common practice, no source; expected dates are read off the tables below."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from phenofit.errors import ModelError
from phenofit.heat import find_biofix

DAYS = ["2024-05-01", "2024-05-08", "2024-05-15", "2024-05-22", "2024-05-29"]
# Two invented traps of one site, and a site that catches nothing.
GROUP = ["north"] * 10 + ["south"] * 5
TRAP = ["n1"] * 5 + ["n2"] * 5 + ["s1"] * 5
CHECK = DAYS * 3
COUNT = [0, 1, 0, 3, 4, 0, 0, 2, np.nan, 2, 0, 0, 0, np.nan, 0]


def found(**options: Any) -> list[str]:
    table = find_biofix(GROUP, CHECK, COUNT, trap=TRAP, **options)
    assert table["group"].tolist() == ["north", "south"]
    assert table["checks"].tolist() == [9, 4]
    return ["never" if pd.isna(day) else f"{day:%m-%d %H}" for day in table["biofix"]]


def test_rules() -> None:
    assert found(rule="first catch") == ["05-08 00", "never"]
    assert found(rule="first catch", at_least=3) == ["05-22 00", "never"]
    # Trap n2: 2 on the 15th, unknown on the 22nd, 2 on the 29th: the unknown check neither begins nor breaks a run.
    assert found(rule="sustained catch", at_least=2) == ["05-15 00", "never"]
    assert found(rule="sustained catch", at_least=3) == ["05-22 00", "never"]
    # Two traps: 1, then 3 moths by the 15th, 6 by the 22nd: three per trap on the 22nd.
    assert found(rule="catch per trap", at_least=3) == ["05-22 00", "never"]
    assert found(rule="catch per trap", at_least=1.5) == ["05-15 00", "never"]


def test_middle_of_the_check_interval() -> None:
    before = ["2024-04-24", *DAYS[:-1]] * 3
    assert found(rule="first catch", previous=before, at="middle") == ["05-04 12", "never"]


def test_order_of_rows_does_not_matter() -> None:
    order = np.random.default_rng(1).permutation(10)
    parts = [[column[k] for k in order] for column in (GROUP, CHECK, COUNT, TRAP)]
    table = find_biofix(*parts[:3], trap=parts[3], rule="sustained catch", at_least=2)
    assert table["biofix"].iloc[0] == pd.Timestamp("2024-05-15")
    assert table["rule"].iloc[0] == "first of two successive checks of a trap with at least 2 each"


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"rule": "peak"}, "'peak' is not a biofix rule; accepted are first catch"),
        ({"at_least": 0}, "above 0"),
        ({"at": "middle"}, "with previous= given"),
        ({"trap": ["n1"]}, "differ in length"),
    ],
)
def test_refusals(options: dict[str, Any], message: str) -> None:
    with pytest.raises(ModelError, match=message):
        find_biofix(GROUP, CHECK, COUNT, **options)
