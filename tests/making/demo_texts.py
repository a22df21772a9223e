"""The names and texts of the invented study; every one of them is made up."""

from __future__ import annotations

__all__ = ["README", "STATION_NAMES", "STUDY", "TRAP_PLACES"]

STATION_NAMES = (
    "Ambry Ford",
    "Cold Table",
    "Dunnock Airfield",
    "Eskerby",
    "Fallow Cross",
    "Greywether",
    "Hobbin Mill",
    "Inkle Bridge",
    "Juniper Halt",
    "Kestle Dam",
    "Lantern Hill",
    "Morrow College",
)

# Site, and the lures that hang there: B for the borer in maize, L for the leaf feeder in apple orchards.
TRAP_PLACES = (
    ("Amblecote", "B"),
    ("Bittern Farm", "L"),
    ("Crooked Elm", "BL"),
    ("Dovewater", "B"),
    ("Emmer Field", "B"),
    ("Finch End", "B"),
    ("Gorse Lane", "B"),
    ("Hazel Court", "B"),
    ("Ironbark", "B"),
    ("Late Hollow", "BL"),
    ("Kiln Orchard", "L"),
    ("Lower Tansy", "B"),
    ("Mallow Green", "BL"),
    ("Nettle Bank", "B"),
    ("Oatacre", "B"),
    ("Pippin Row", "B"),
    ("Ramsons", "L"),
    ("Sorrel Flat", "B"),
    ("Tuck Orchard", "L"),
    ("Upper Tansy", "B"),
    ("Vetch Corner", "B"),
    ("Warmwell Bench", "BL"),
)

STUDY = """\
# Invented data: region, species, traps, weather and catches are made up (see README.md).

[study]
title = "Two moths of the Ambry Basin"
species = ["banded stalk borer", "dusky leaf feeder"]
invented = true
truth = "truth.json"

[season]
start = "01-01"
end = "10-31"

[traps]
file = "traps.csv"

[catches]
file = "catches.csv"
dates = "year-first"
blank = "not checked"

[catches.columns]
check = "checked"
count = "moths"

[weather]
files = ["weather.csv"]
stations = "stations.csv"
unit = "degC"
max_distance_km = 45
fill = ["interpolation"]
max_gap_days = 3

[heat]
method = "single sine"

[flights]
count = 1
curve = "normal"
base = "fit"
# Without a site part of the shift, the error map shows by how much sites differ.
shifts = ["year", "trap-year"]

[[flights.species]]
name = "dusky leaf feeder"
count = 2

# A requirement that fits this region on its own terms.
[[published]]
id = "borer-bulletin"
species = "banded stalk borer"
event = "flight_50"
flight = 1
amount = 1100
unit = "degF d"
base = "50 degF"
method = "single sine"
start = "01-01"
source = "invented"

# One that does not: found elsewhere, with the averaging method and the start date of another place.
[[published]]
id = "borer-elsewhere"
species = "banded stalk borer"
event = "flight_50"
flight = 1
amount = 640
unit = "degC d"
base = "8 degC"
method = "simple average"
start = "03-01"
source = "invented"

[[published]]
id = "leaf-feeder-first"
species = "dusky leaf feeder"
event = "flight_50"
flight = 1
amount = 355
unit = "degC d"
base = "7 degC"
method = "single sine"
start = "01-01"
source = "invented"

[[published]]
id = "leaf-feeder-second"
species = "dusky leaf feeder"
event = "flight_50"
flight = 2
amount = 1050
unit = "degC d"
base = "7 degC"
method = "single sine"
start = "01-01"
source = "invented"

[validation]
leave_out = "year"

[map]
cell_km = 4

[forecast]
# Eggs and larvae after the flight, by invented lags.
stages = "stage_lags.csv"
"""

README = """\
# Two moths of the Ambry Basin (invented data)

Everything in this folder is invented: the region, the weather stations, the sites, both species, the weather and
the catches. The coordinates lie on a real plain only so that a map can be drawn. Draw no conclusion about any real
place or insect from it.

| file | holds |
| --- | --- |
| `study.toml` | the study: what to read, what to fit, what to test |
| `traps.csv` | 26 traps at 22 sites: position, height [m], crop |
| `catches.csv` | moths at each check, 2017 to 2024 |
| `stations.csv`, `weather.csv` | 12 stations; daily minimum and maximum [degC], 2017-01-01 to 2025-05-18 |
| `stage_lags.csv` | invented lags from the flight to eggs and larvae, used by forecasts and the field page |
| `truth.json` | the true values behind the catches, and every shift that was drawn |

Two species: the *banded stalk borer* of maize, with one flight a year, and the *dusky leaf feeder* of apple orchards,
with two. The tables hold the faults of real life: checks that were not made (blank: not checked, the trap stood),
traps found gone (`lost`: the interval is unknown), traps set late, a station that failed for most of May 2019 (S07)
and others that missed single days, a site that is warmer than its station (Warmwell Bench), a cold valley where
everything is late (Late Hollow in its middle, the sites around it less), and catches that come in swarms.

The thresholds named in `study.toml` are invented as well; some are near the truth and some are not.

The files were generated from a fixed seed, and the same command gives the same bytes:

    python -m tests.making.demo_study --out datasets/demo
"""

STAGE_LAGS = """\
stage,after,lag,spread,unit,base,source
eggs laid,flight_5,3,1,d,,invented
egg hatch,eggs laid,90,9,degC d,10 degC,invented
larvae bore in,egg hatch,60,12,degC d,10 degC,invented
"""
