"""A biofix on one day for every site and year gives the tables of a season that starts on that day, byte for byte."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from phenofit.cli.dispatch import main
from tests.studies import published_text, study_text, write_tables
from tests.validate.networks import network

DAY = "04-20"
THRESHOLD = published_text("near", amount="330").replace('start = "01-01"', 'start = "{start}"')
MORE = """\
[flights]
count = 2
curve = "normal"
shifts = ["year", "trap-year"]
base = "10 degC"

[validation]
leave_out = "year"
lead_days = [14]
"""


def write(folder: Path, *, biofix: bool) -> Path:
    """Write a study of two flights whose sums start on the day in one of two ways; many checks lie before it."""
    folder.mkdir()
    n = network(sites=5, years=4, requirements=(350.0, 900.0), spreads=(45.0, 70.0))
    write_tables(folder, traps=n.traps.drop(columns="station"), catches=n.catches, weather=n.weather)
    threshold = THRESHOLD.format(start="biofix" if biofix else DAY)
    text = study_text("borer", more=MORE + threshold)
    season = f'start = "{DAY}"'
    if biofix:
        season = 'start = "biofix"\nbiofix = "biofix.csv"\ndates = "year-first"\nopens = "01-01"'
        rows = [f"{site},{year}-{DAY}" for site in n.traps["site"] for year in range(2014, 2018)]
        (folder / "biofix.csv").write_text("site,date\n" + "\n".join(rows) + "\n", encoding="utf-8")
    path = folder / "study.toml"
    path.write_text(text.replace('[season]\nstart = "01-01"', f"[season]\n{season}"), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def studies(tmp_path_factory: pytest.TempPathFactory) -> dict[bool, Path]:
    folder = tmp_path_factory.mktemp("biofix")
    return {biofix: write(folder / str(biofix), biofix=biofix) for biofix in (False, True)}


@pytest.mark.parametrize(
    ("command", "names"),
    [
        (["fit"], ["flights.csv"]),
        pytest.param(
            ["validate", "--older", "least CV in days"],
            ["validation.csv", "scores.csv"],
            marks=pytest.mark.slow,
        ),
        pytest.param(["compare"], ["comparisons.csv"], marks=pytest.mark.slow),
    ],
)
def test_the_tables_are_the_same(studies: dict[bool, Path], command: list[str], names: list[str]) -> None:
    outputs = {biofix: path.parent / command[0] for biofix, path in studies.items()}
    for biofix, out in outputs.items():
        assert main([command[0], str(studies[biofix]), *command[1:], "--out", str(out)]) == 0
    for name in names:
        _check_same(outputs, name)


def _check_same(outputs: dict[bool, Path], name: str) -> None:
    # Columns that name the run or the start differ, and must.
    tables = {
        biofix: pd.read_csv(out / name, dtype=str, keep_default_na=False).drop(
            columns=["run", "sentence", "threshold"], errors="ignore"
        )
        for biofix, out in outputs.items()
    }
    pd.testing.assert_frame_equal(tables[False], tables[True])
    assert len(tables[True]) > 0
