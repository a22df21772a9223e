"""Which column of a table is what: by the usual names and by its cells."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass

from phenofit.errors import DataError, Problem
from phenofit.starting.looking import ColumnLook, count_like
from phenofit.starting.questions import NONE, Interview, Question
from phenofit.starting.sheets import Sheet

_UNIT = re.compile(r"[(\[].*?[)\]]")
_PLAIN = re.compile(r"[^a-z0-9]+")
_TEMPERATURE_ENDINGS = ("", "c", "f", "k", "degc", "degf")


def plain(name: str) -> str:
    """Return a column name without case, blanks, signs and units in brackets."""
    return _PLAIN.sub("", _UNIT.sub("", name).casefold())


@dataclass(frozen=True)
class Role:
    """What a column can be.

    Attributes
    ----------
    key : str
        Our name of the column.
    what : str
        What it holds, in words.
    names : frozenset of str
        Usual names of such columns, see :func:`plain`.
    fits : callable
        Whether a column can hold it.
    """

    key: str
    what: str
    names: frozenset[str]
    fits: Callable[[ColumnLook], bool]

    def named(self, sheet: Sheet, taken: Collection[str] = ()) -> list[str]:
        """Return the columns that can hold it and have a usual name; the one with our own name before others."""
        found = [name for name in self.fitting(sheet, taken) if plain(name) in self.names]
        ours = [name for name in found if plain(name) == plain(self.key)]
        return ours if len(ours) == 1 else found

    def fitting(self, sheet: Sheet, taken: Collection[str] = ()) -> list[str]:
        """Return the columns that can hold it."""
        return [name for name, look in sheet.looks.items() if name not in taken and self.fits(look)]


def _names(text: str, endings: Sequence[str] = ("",)) -> frozenset[str]:
    return frozenset(name + ending for name in text.split() for ending in endings)


def _filled(look: ColumnLook) -> bool:
    return look.filled > 0


def _label(look: ColumnLook) -> bool:
    return look.filled > 0 and not look.dated and look.fractions == 0


def _dated(look: ColumnLook) -> bool:
    return look.dated


def _day_numbers(look: ColumnLook) -> bool:
    return look.whole and look.low >= 1 and look.high <= 366


def _years(look: ColumnLook) -> bool:
    return look.whole and look.low >= 1750 and look.high <= 2200


def serial_numbers(look: ColumnLook) -> bool:
    """Return whether all numbers could be day numbers of a spreadsheet, of the years 1954 to 2064."""
    return look.numeric and look.low >= 20_000 and look.high <= 60_000


def _between(low: float, high: float) -> Callable[[ColumnLook], bool]:
    return lambda look: look.numeric and low <= look.low and look.high <= high


def _number(look: ColumnLook) -> bool:
    return look.numeric


TRAP = Role(
    "trap",
    "the name of the trap",
    _names("trap plot site location field", ("", "id", "name", "no", "number", "nr", "code")),
    _label,
)
DATE = Role(
    "date",
    "the date of the check",
    _names(
        "date check checked checkdate datechecked dateofcheck sampledate samplingdate datesampled"
        " collectiondate datecollected enddate dateend trapdate day readon readdate checkedon emptied emptiedon"
    ),
    _dated,
)
SET = Role(
    "set",
    "the date on which the trap was set or last emptied",
    _names(
        "set setdate dateset setout placed dateplaced deployed datedeployed start startdate datestart"
        " datetrapset seton placedon deployedon"
    ),
    _dated,
)
SERIAL = Role("date", DATE.what, DATE.names, serial_numbers)
DAY_OF_YEAR = Role(
    "date", "the day of the year", _names("doy julian julianday julianday jday yday dayofyear"), _day_numbers
)
WEEK = Role("date", "the week of the year", _names("week weekno weeknumber isoweek"), _day_numbers)
YEAR = Role("year", "the year", _names("year yr season jahr annee sheet"), _years)
COUNT = Role(
    "count",
    "the number of moths",
    _names(
        "count counts moths moth mothcount catch catches caught captures captured number numbers total n no"
        " abundance individuals males adults trapcount nmoths totalmoths numberofmoths mothspernight"
    ),
    count_like,
)
SPECIES = Role(
    "species", "the species", _names("species speciesname taxon scientificname moth insect pest"), _label
)
LURE = Role(
    "lure",
    "the lure",
    _names("lure pheromone bait attractant", ("", "s", "type", "kind", "name", "code")),
    _label,
)
STATUS = Role("status", "a word on the check", _names("status trapstatus checkstatus"), _label)
EFFORT = Role(
    "effort",
    "the number of traps or lures",
    _names("effort ntraps numberoftraps trapsset"),
    _between(1e-9, 1e6),
)
NIGHTS = Role(
    "nights",
    "the nights that the trap stood",
    _names("nights night trapnights nightsout ntrapnights daysout trapdays days"),
    _between(0.0, 366.0),
)
LATITUDE = Role(
    "latitude", "the latitude", _names("latitude lat y declatitude decimallatitude"), _between(-180, 180)
)
LONGITUDE = Role(
    "longitude",
    "the longitude",
    _names("longitude long lon lng x declongitude decimallongitude"),
    _between(-360, 360),
)
ELEVATION = Role(
    "elevation_m",
    "the height in metres above sea level",
    _names("elevation elevationm elev elevm altitude altitudem alt height heightm"),
    _between(-500, 9000),
)
SITE = Role("site", "the site", _names("site siteid sitename location farm orchard field"), _label)
STATION = Role(
    "station",
    "the weather station",
    _names("station stationid stid stn stationname stationcode wmo usaf id code name"),
    _filled,
)
WEATHER_DAY = Role("date", "the day", _names("date day time datum ymd"), _dated)
TMIN = Role(
    "tmin",
    "the minimum of the day",
    _names(
        "tmin tn mintemp tempmin minimum min mintemperature temperaturemin minimumtemperature airtempmin"
        " lowtemp low",
        _TEMPERATURE_ENDINGS,
    ),
    _number,
)
TMAX = Role(
    "tmax",
    "the maximum of the day",
    _names(
        "tmax tx maxtemp tempmax maximum max maxtemperature temperaturemax maximumtemperature airtempmax"
        " hightemp high",
        _TEMPERATURE_ENDINGS,
    ),
    _number,
)


def choose_column(
    interview: Interview,
    prefix: str,
    sheet: Sheet,
    role: Role,
    *,
    taken: Collection[str] = (),
    optional: bool = False,
    evidence: tuple[str, ...] = (),
) -> str | None:
    """Return the column of a role: stated where its name and its cells leave no doubt, else asked.

    None means that there is none, or that the question is open.
    """
    fitting, named = role.fitting(sheet, taken), role.named(sheet, taken)
    name = f"{prefix}.{role.key}"
    if not fitting and not optional:
        kinds = "; ".join(f"'{look.name}': {look.words()}" for look in sheet.looks.values())
        finding = f"no column can be {role.what}. The columns are {kinds}."
        raise DataError(Problem(finding, "Correct the cells, or leave this file out.", sheet.shown))
    if name not in interview.answers and optional and not named:
        return None
    evidence = (*(f"'{column}' has {sheet.looks[column].words()}." for column in fitting), *evidence)
    choices = {column: f"the column '{column}' of {sheet.shown}" for column in fitting}
    if optional:
        choices[NONE] = "there is no such column"
    question = Question(name, f"Which column of {sheet.shown} holds {role.what}?", evidence, choices)
    if len(named) == 1:
        because = f"{sheet.shown}: '{named[0]}' is {role.what}"
        found = interview.settle(question, named[0], because)
    elif not named and len(fitting) == 1:
        because = f"{sheet.shown}: '{fitting[0]}' is {role.what}; no other column can be"
        found = interview.settle(question, fitting[0], because)
    else:
        found = interview.ask(question) or NONE
    return None if found == NONE else found
