"""A small invented study as files on disk, for the commands."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from tests.validate.networks import Network, network

STUDY = """\
[study]
title = "Invented"
species = "invented borer"
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
files = ["weather.csv"]
stations = "stations.csv"
unit = "degC"
[[published]]
id = "near"
species = "invented borer"
event = "flight_50"
flight = 1
amount = 810
unit = "degF d"
base = "50 degF"
method = "single sine"
start = "01-01"
source = "invented"
"""


def write_study(folder: Path) -> Path:
    """Write a study of five sites and four years into a folder and return its study file."""
    n: Network = network(sites=5, years=4)
    n.traps.drop(columns="station").to_csv(folder / "traps.csv", index=False)
    catches = n.catches[["trap", "set", "check", "count"]].rename(columns={"check": "date"})
    for name in ("set", "date"):
        catches[name] = catches[name].dt.strftime("%Y-%m-%d").fillna("")
    catches.rename(columns={"date": "check"}).to_csv(folder / "catches.csv", index=False)
    weather = n.weather
    pd.DataFrame(
        {
            "station": weather["station"].to_numpy(),
            "latitude": weather["latitude"].to_numpy(),
            "longitude": weather["longitude"].to_numpy(),
            "elevation_m": weather["elevation"].to_numpy(),
        }
    ).to_csv(folder / "stations.csv", index=False)
    table = weather[["tmin", "tmax"]].to_dataframe().reset_index().rename(columns={"time": "date"})
    table[["station", "date", "tmin", "tmax"]].to_csv(folder / "weather.csv", index=False)
    path = folder / "study.toml"
    path.write_text(STUDY, encoding="utf-8")
    return path
