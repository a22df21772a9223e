"""Three folders of trap records as people keep them, and a study written by hand over the same records."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pandas as pd

MOTH = "invented borer"
YEARS = (2021, 2022)
TRAPS = {"North 1": (44.10, -98.20, 410), "North 2": (44.15, -98.30, 425), "South": (43.90, -98.10, 395)}
LURES = ("A", "B")


def days_of_weather() -> pd.DataFrame:
    """Two stations over two whole years: station, day, tmin and tmax [degC], warmest in July."""
    days = pd.date_range("2021-01-01", "2022-12-31")
    season = 9.0 - 13.0 * np.cos(2.0 * np.pi * (days.day_of_year.to_numpy() - 20) / 365.25)
    # Weather that never varies would be taken for a stuck sensor.
    noise = np.random.default_rng(5).normal(0.0, 2.5, (2, len(days)))
    parts = []
    for station, warmer, change in (("S1", 0.0, noise[0]), ("S2", 0.7, 0.8 * noise[0] + 0.4 * noise[1])):
        mean = season + warmer + change
        parts.append(pd.DataFrame({"station": station, "day": days, "tmin": mean - 6.0, "tmax": mean + 6.0}))
    table = pd.concat(parts, ignore_index=True)
    return table.round({"tmin": 1, "tmax": 1})


def checks() -> pd.DataFrame:
    """Weekly checks of the three traps with both lures: trap, lure, set, day, count (NaN: not checked)."""
    rng = np.random.default_rng(11)
    rows = []
    for year in YEARS:
        # Checks on a Friday, so that days above 12 and below occur.
        visits = pd.date_range(f"{year}-04-23", f"{year}-09-24", freq="7D")
        for trap in TRAPS:
            for lure, strength in zip(LURES, (30.0, 12.0), strict=True):
                peak = rng.normal(185.0, 6.0)
                for before, visit in itertools.pairwise(visits):
                    expected = strength * np.exp(-0.5 * ((visit.day_of_year - peak) / 16.0) ** 2)
                    count = float(rng.poisson(expected)) if rng.random() > 0.06 else np.nan
                    rows.append((trap, lure, before, visit, count))
    return pd.DataFrame(rows, columns=["trap", "lure", "set", "day", "count"])


def _counts(counts: pd.Series[float]) -> list[str]:
    return ["" if np.isnan(count) else str(int(count)) for count in counts]


def _stations() -> str:
    return "station,latitude,longitude,elevation_m\nS1,44.05,-98.25,400\nS2,43.95,-98.00,390\n"


def _traps(header: str = "trap,latitude,longitude,elevation_m", delimiter: str = ",") -> str:
    lines = [header]
    for trap, (latitude, longitude, height) in TRAPS.items():
        cells = [trap, f"{latitude}", f"{longitude}", f"{height}"]
        if delimiter == ";":
            cells = [cell.replace(".", ",") for cell in cells]
        lines.append(delimiter.join(cells))
    return "\n".join(lines) + "\n"


def long_month_first(folder: Path) -> None:
    """Write one row per check with the day of setting, dates month-first, temperatures in degrees Fahrenheit."""
    table = checks().query("lure == 'A'")
    pd.DataFrame(
        {
            "PlotID": table["trap"],
            "Date Set": table["set"].dt.strftime("%m/%d/%Y"),
            "Date Checked": table["day"].dt.strftime("%m/%d/%Y"),
            "Moths": _counts(table["count"]),
        }
    ).to_csv(folder / "trapping.csv", index=False)
    (folder / "plots.csv").write_text(_traps("PlotID,Lat,Long,Elev"), "utf-8")
    weather = days_of_weather()
    pd.DataFrame(
        {
            "Station": weather["station"],
            "Date": weather["day"].dt.strftime("%m/%d/%Y"),
            "TMAX (F)": (weather["tmax"] * 1.8 + 32.0).round(2),
            "TMIN (F)": (weather["tmin"] * 1.8 + 32.0).round(2),
        }
    ).to_csv(folder / "weather.csv", index=False)
    (folder / "stations.csv").write_text(_stations(), "utf-8")


def wide_semicolon(folder: Path) -> None:
    """Write one column per trap, cells between semicolons; temperatures with a decimal comma."""
    table = checks().query("lure == 'A'")
    wide = table.assign(count=_counts(table["count"])).pivot(index="day", columns="trap", values="count")
    wide.insert(0, "Datum", [f"{day:%d.%m.%Y}" for day in wide.index])
    wide["Total"] = ""
    wide.to_csv(folder / "catches.csv", sep=";", index=False)
    (folder / "traps.csv").write_text(
        _traps("trap;latitude;longitude;elevation_m", delimiter=";"), encoding="utf-8"
    )
    weather = days_of_weather()
    table = pd.DataFrame({"station": weather["station"], "date": weather["day"].dt.strftime("%d.%m.%Y")})
    for key in ("tmin", "tmax"):
        table[key] = weather[key].map("{:.1f}".format).str.replace(".", ",")
    table.to_csv(folder / "weather.csv", sep=";", index=False)
    (folder / "stations.csv").write_text(_stations(), "utf-8")


def lures_and_blanks(folder: Path) -> None:
    """Write two lures per trap, dates with the name of the month, blanks for checks that were not made."""
    table = checks()
    pd.DataFrame(
        {
            "Site": table["trap"],
            "Lure": table["lure"],
            "Date": table["day"].dt.strftime("%d-%b-%Y"),
            "N": _counts(table["count"]),
        }
    ).to_csv(folder / "moths.csv", index=False)
    (folder / "sites.csv").write_text(_traps("Site,Latitude,Longitude,Altitude_m"), "utf-8")
    days_of_weather().rename(columns={"day": "date"}).to_csv(folder / "weather.csv", index=False)
    (folder / "stations.csv").write_text(_stations(), "utf-8")


_HAND = """\
[study]
species = "invented borer"
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
"""


def by_hand(folder: Path, *, set_dates: bool, lures: bool) -> Path:
    """Write the same records in our own form, and a study file over them."""
    table = checks() if lures else checks().query("lure == 'A'")
    names = table["trap"] + " " + table["lure"] if lures else table["trap"]
    frame = pd.DataFrame({"trap": names, "date": table["day"].dt.strftime("%Y-%m-%d")})
    if set_dates:
        frame["set"] = table["set"].dt.strftime("%Y-%m-%d")
    frame["count"] = _counts(table["count"])
    frame.to_csv(folder / "catches.csv", index=False)
    rows = [
        (f"{trap} {lure}" if lures else trap, trap, *place)
        for trap, place in TRAPS.items()
        for lure in (LURES if lures else LURES[:1])
    ]
    header = ["trap", "site", "latitude", "longitude", "elevation_m"]
    pd.DataFrame(rows, columns=header).to_csv(folder / "traps.csv", index=False)
    days_of_weather().rename(columns={"day": "date"}).to_csv(folder / "weather.csv", index=False)
    (folder / "stations.csv").write_text(_stations(), "utf-8")
    study = folder / "study.toml"
    study.write_text(_HAND, encoding="utf-8")
    return study
