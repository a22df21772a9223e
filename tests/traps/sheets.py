"""Small field sheets for the tests; every figure in them is made up."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from phenofit.traps import read_catches, read_traps


def catches(folder: Path, text: str, **settings: Any) -> pd.DataFrame:
    """Write a catch table and read it; year-first dates and "blank: not checked" unless said otherwise."""
    path = folder / "catches.csv"
    path.write_text(text, encoding="utf-8")
    return read_catches(path, **{"dates": "year-first", "blank": "not checked", **settings})


def traps(folder: Path, text: str, **settings: Any) -> pd.DataFrame:
    """Write a trap table and read it."""
    path = folder / "traps.csv"
    path.write_text(text, encoding="utf-8")
    return read_traps(path, **settings)


def trap_frame(*names: str, site: str | None = None) -> pd.DataFrame:
    """Return a trap table of traps a few hundred metres apart."""
    return pd.DataFrame(
        {
            "trap": names,
            "site": [site or name for name in names],
            "latitude": [44.0 + 0.002 * i for i in range(len(names))],
            "longitude": -98.0,
            "elevation_m": 400.0,
            "station": pd.Series([pd.NA] * len(names), dtype="string"),
        }
    )
