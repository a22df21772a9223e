"""A small study on disk for the tests; every figure in it is made up."""

from __future__ import annotations

import math
from datetime import date, timedelta
from pathlib import Path

from tests.studies import FILES, published_text, study_text

_MORE = f"""\
[heat]
method = "single sine"
upper = "88 degF"

[flights]
count = 1
curve = "normal"
base = "50 degF"

{published_text("leaflet", amount="480.0")}
[validation]
leave_out = "year"

[map]
cell_km = 2
"""

STUDY = study_text(
    "example leaf feeder",
    title="Leaf feeder, Harrow valley",
    weather=f"{FILES}max_distance_km = 40\n",
    more=_MORE,
)

TRAPS = "trap,latitude,longitude,elevation_m\nA,44.10,-98.20,400\nB,44.20,-98.10,\nC,44.15,-98.15,420\n"

CATCHES = "trap,date,count\n" + "".join(
    f"{trap},2024-06-{day:02d},{count}\n"
    for trap in "ABC"
    for day, count in [(1, 0), (8, 3), (15, 9), (22, 2)]
)

STATIONS = "station,latitude,longitude,elevation_m\nS1,44.12,-98.18,390\nS2,44.22,-98.05,405\n"


def weather_row(station: str, month: int, day: int) -> str:
    """Return one row of the weather table: a seasonal course with warmer and cooler spells."""
    spell = 4 * math.sin((31 * month + day) / 5) + 3 * math.cos((31 * month + day) / 17)
    offset = 0.7 if station == "S2" else 0.0
    return f"{station},2024-{month:02d}-{day:02d},{5 + month + offset + spell:.1f},{15 + month + offset + 1.2 * spell:.1f}\n"


DAYS = [date(2024, 1, 1) + timedelta(days=i) for i in range(213)]  # to 31 July

WEATHER = "station,date,tmin,tmax\n" + "".join(
    weather_row(station, day.month, day.day) for station in ("S1", "S2") for day in DAYS
)


def weather_line(station: str, month: int, day: int) -> int:
    """Return the line of the weather table that holds a day of a station."""
    return WEATHER[: WEATHER.index(weather_row(station, month, day))].count("\n") + 1


def write_study(folder: Path, *, study: str = STUDY, **tables: str) -> Path:
    """Write a study and its tables; a table given by name replaces the sound one."""
    texts = {"traps": TRAPS, "catches": CATCHES, "stations": STATIONS, "weather": WEATHER, **tables}
    for name, text in texts.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    path = folder / "study.toml"
    path.write_text(study, encoding="utf-8")
    return path
