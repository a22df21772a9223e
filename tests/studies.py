"""An invented study as files on disk: one text for the study file, one way to write its tables."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.files.pictures import pixel_bytes

FILES = """\
files = ["weather.csv"]
stations = "stations.csv"
unit = "degC"
"""
DEVICE = "/dev/zero"
needs_device = pytest.mark.skipif(not Path(DEVICE).exists(), reason=f"this system has no {DEVICE}")
# Words of a catch table for what is no count: blank is "not checked", as the study says.
_WORDS = {"missing": "", "lost": "lost"}


def study_text(species: str, *, title: str = "Invented", weather: str = FILES, more: str = "") -> str:
    """Return a study file with calendar-year sums, the tables of :func:`write_tables`, and `more` sections."""
    return f"""\
[study]
title = "{title}"
species = "{species}"
invented = true

[season]
start = "01-01"
end = "10-31"

[traps]
file = "traps.csv"

[catches]
file = "catches.csv"
dates = "year-first"
blank = "not checked"

[weather]
{weather}
{more}"""


def published_text(
    name: str, *, amount: str, base: str = "10 degC", unit: str = "degC d", more: str = ""
) -> str:
    """Return a threshold for the middle of the first flight, written out in a study file."""
    return f"""\
[[published]]
id = "{name}"
{more}event = "flight_50"
flight = 1
amount = {amount}
unit = "{unit}"
base = "{base}"
method = "single sine"
start = "01-01"
source = "invented"
"""


def write_tables(folder: Path, *, traps: pd.DataFrame, catches: pd.DataFrame, weather: xr.Dataset) -> None:
    """Write the four tables of a study: traps, catches as drawn, weather and its stations."""
    traps.to_csv(folder / "traps.csv", index=False)
    table = catches[["trap", "set", "check"]].copy()
    for name in ("set", "check"):
        table[name] = table[name].dt.strftime("%Y-%m-%d")
    table["count"] = [
        _WORDS[s] if s in _WORDS else str(int(c))
        for s, c in zip(catches["status"], catches["count"], strict=True)
    ]
    table.to_csv(folder / "catches.csv", index=False)
    columns = {
        "station": "station",
        "latitude": "latitude",
        "longitude": "longitude",
        "elevation": "elevation_m",
    }
    stations = pd.DataFrame({ours: weather[name].to_numpy() for name, ours in columns.items()})
    stations.to_csv(folder / "stations.csv", index=False)
    days = weather[["tmin", "tmax"]].to_dataframe()[["tmin", "tmax"]].reset_index()
    days.rename(columns={"time": "date"}).to_csv(folder / "weather.csv", index=False)


def draw_without_pictures(monkeypatch: pytest.MonkeyPatch) -> None:
    """Draw every figure of a page, but turn none into a picture, which takes longest: the test looks at words."""
    dot = pixel_bytes(np.zeros((1, 1, 4), dtype=np.uint8))
    monkeypatch.setattr("phenofit.report.drawings.save", lambda *_, **__: dot)
