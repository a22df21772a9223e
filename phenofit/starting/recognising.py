"""Which table is what: catches, traps, weather, stations; by columns, and by the names that tables share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from phenofit.errors import DataError, Problem
from phenofit.starting.looking import date_readings
from phenofit.starting.naming import (
    COUNT,
    DATE,
    DAY_OF_YEAR,
    LATITUDE,
    LONGITUDE,
    SERIAL,
    STATION,
    TMAX,
    TMIN,
    TRAP,
    WEEK,
    plain,
)
from phenofit.starting.questions import NONE, Interview, Question
from phenofit.starting.sheets import Sheet

FEWEST_DATE_HEADERS = 3


@dataclass(frozen=True)
class Recognised:
    """The tables by what they are; None where there is no such table.

    ``weather_files`` are those that need not be read to be known as weather.
    """

    catches: Sheet
    traps: Sheet | None
    weather: tuple[Sheet, ...]
    weather_files: tuple[str, ...]
    stations: Sheet | None


def date_headers(sheet: Sheet) -> list[str]:
    """Return the column names that are dates, where there are several."""
    names = [name for name in sheet.looks if date_readings([name])]
    return names if len(names) >= FEWEST_DATE_HEADERS else []


def _is_weather(sheet: Sheet) -> bool:
    return bool(TMIN.named(sheet) and TMAX.named(sheet) and DATE.fitting(sheet))


def _has_places(sheet: Sheet) -> bool:
    return bool(LATITUDE.named(sheet) and LONGITUDE.named(sheet)) and not DATE.named(sheet)


def _may_have_places(sheet: Sheet) -> bool:
    return len(LATITUDE.fitting(sheet)) > 1


def _may_be_weather(sheet: Sheet) -> bool:
    return bool(DATE.fitting(sheet)) and len(TMIN.fitting(sheet)) > 1


def _is_catches(sheet: Sheet) -> bool:
    if _is_weather(sheet) or _has_places(sheet):
        return False
    dated = any(role.named(sheet) for role in (SERIAL, DAY_OF_YEAR, WEEK)) or DATE.fitting(sheet)
    return bool(date_headers(sheet)) or bool(dated and COUNT.fitting(sheet))


def recognise(
    interview: Interview, sheets: Sequence[Sheet], weather_files: Sequence[str]
) -> Recognised | None:
    """Return what each table is; None while a question about it is open."""
    if not sheets:
        finding = "there is no table of catches: no file could be read as one."
        raise DataError(Problem(finding, "Add the files, or start from empty tables with --empty."))
    by_name = {sheet.shown: sheet for sheet in sheets}
    choices = {sheet.shown: sheet.described() for sheet in sheets}
    found = _one(
        interview,
        Question("catches.file", "Which file holds the catches?", choices=choices),
        [sheet.shown for sheet in sheets if _is_catches(sheet)],
        "dates and counts",
    )
    if found is None:
        return None
    catches = by_name[found]
    rest = {name: sheet for name, sheet in by_name.items() if name != found}
    weather = _weather(interview, [s for s in rest.values() if _is_weather(s)], rest, weather_files)
    if weather is None:
        return None
    tables = tuple(rest[name] for name in weather if name in rest)
    files = tuple(name for name in weather if name not in rest)
    places = [s for s in rest.values() if s not in tables and _has_places(s)]
    traps, stations = _places(places, catches, tables)
    choices = {s.shown: s.described() for s in rest.values() if s not in tables and _may_have_places(s)}
    choices[NONE] = "no file; a table with the names found is written, to be filled in"
    trap_file = _one(
        interview,
        Question("traps.file", "Which file holds the positions of the traps?", choices=choices),
        traps,
        "latitudes, longitudes and names of traps",
        settled=stations,
    )
    if trap_file is None:
        return None
    choices = {name: what for name, what in choices.items() if name == NONE or name != trap_file}
    station_file: str | None = NONE
    if tables or any(name.lower().endswith(".dly") for name in files):
        station_file = _one(
            interview,
            Question(
                "weather.stations", "Which file holds the positions of the weather stations?", choices=choices
            ),
            [name for name in stations if name != trap_file],
            "latitudes, longitudes and names of weather stations",
        )
    if station_file is None:
        return None
    return Recognised(catches, rest.get(trap_file), tables, files, rest.get(station_file))


def _one(
    interview: Interview, question: Question, found: Sequence[str], why: str, *, settled: Sequence[str] = ()
) -> str | None:
    """Return the one file found; ask where there are several, or none although a file is left that could be it.

    Files that are `settled` are known to be something else.
    """
    if len(found) == 1:
        return interview.settle(question, found[0], f"{found[0]} has {why}")
    if not found and set(question.choices) - set(settled) == {NONE}:
        return interview.settle(question, NONE, f"no file has {why}")
    return interview.ask(question)


def _weather(
    interview: Interview, found: Sequence[Sheet], rest: dict[str, Sheet], files: Sequence[str]
) -> tuple[str, ...] | None:
    """Return the files of the weather; a question asks where two of them differ in their columns."""
    forms = {tuple(map(plain, sheet.looks)) for sheet in found}
    choices = dict.fromkeys(files, "gridded or archived weather")
    choices |= {name: sheet.described() for name, sheet in rest.items() if _may_be_weather(sheet)}
    choices[NONE] = "no file of mine"
    question = Question("weather.files", "Which files hold the weather?", choices=choices, several=True)
    names = [*files, *(sheet.shown for sheet in found)]
    if question.name not in interview.answers and names and len(forms) + bool(files) == 1:
        interview.state(f"{', '.join(names)}: daily temperatures ({question.name})")
        return tuple(names)
    if question.name not in interview.answers and set(choices) == {NONE}:
        interview.state("no file holds temperatures")
        return ()
    answer = interview.ask_several(question)
    if not answer:
        return None
    return () if answer == (NONE,) else answer


def _places(places: Sequence[Sheet], catches: Sheet, weather: Sequence[Sheet]) -> tuple[list[str], list[str]]:
    """Return the tables of traps and of stations, by the names that they share with catches and weather."""
    caught = _texts([catches]) | {name.casefold() for name in catches.looks}
    ids = _texts(weather)
    traps: list[str] = []
    stations: list[str] = []
    for sheet in places:
        shares = [
            (_share(look.distinct, caught), _share(look.distinct, ids))
            for look in sheet.looks.values()
            if look.filled and not look.fractions
        ]
        of_traps, of_stations = (max((s[i] for s in shares), default=0.0) for i in (0, 1))
        of_traps += 0.1 * bool(TRAP.named(sheet)) * (not _station_named(sheet))
        of_stations += 0.1 * _station_named(sheet)
        (traps if of_traps > of_stations else stations if of_stations > of_traps else []).append(sheet.shown)
    return traps, stations


def _station_named(sheet: Sheet) -> bool:
    return any(plain(name) in STATION.names for name in list(sheet.looks)[:1])


def _texts(sheets: Sequence[Sheet]) -> set[str]:
    return {
        text.casefold()
        for sheet in sheets
        for look in sheet.looks.values()
        if not look.dated and not look.fractions and not (look.numeric and plain(look.name) in COUNT.names)
        for text in look.distinct
    }


def _share(names: Sequence[str], known: set[str]) -> float:
    return sum(name.casefold() in known for name in names) / len(names) if names else 0.0
