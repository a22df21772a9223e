"""A small invented study as files on disk, for the commands."""

from __future__ import annotations

from pathlib import Path

from tests.studies import published_text, study_text, write_tables
from tests.validate.networks import network

_SPECIES = "invented borer"
STUDY = study_text(
    _SPECIES,
    more=published_text(
        "near", amount="810", unit="degF d", base="50 degF", more=f'species = "{_SPECIES}"\n'
    ),
)


NORMAL = '[flights]\ncurve = "normal"\n'
"""Section for tests that are not about the choice of a curve, which takes several times as long."""


def write_study(folder: Path, *, more: str = "") -> Path:
    """Write a study of five sites and four years with `more` sections into a folder and return its study file."""
    n = network(sites=5, years=4)
    write_tables(folder, traps=n.traps.drop(columns="station"), catches=n.catches, weather=n.weather)
    path = folder / "study.toml"
    path.write_text(STUDY + more, encoding="utf-8")
    return path
