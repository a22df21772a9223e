"""The tables of traps and stations, and the weather: columns, dates, unit; what is not there is written to be filled in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from phenofit.errors import DataError, Problem
from phenofit.files import safe_cell
from phenofit.files.cells import parse_numbers
from phenofit.files.text_table import shorten
from phenofit.starting.catch_questions import CatchChoices
from phenofit.starting.date_orders import date_order, dates_of
from phenofit.starting.looking import NUMBER, is_summer, unit_readings, warmest_month
from phenofit.starting.naming import (
    ELEVATION,
    LATITUDE,
    LONGITUDE,
    SITE,
    STATION,
    TMAX,
    TMIN,
    TRAP,
    WEATHER_DAY,
    Role,
    choose_column,
    plain,
)
from phenofit.starting.questions import Interview, Question
from phenofit.starting.recognising import Recognised
from phenofit.starting.sheets import Sheet, settle_encoding
from phenofit.units import TEMPERATURE_UNITS
from phenofit.weather.reading.missing_codes import MISSING_CODES

TRAP_HEADER = ("trap", "site", "latitude", "longitude", "elevation_m")
STATION_HEADER = ("station", "latitude", "longitude", "elevation_m")
_FOOT = ("ft", "feet", "foot")
_WHOLE_YEAR = 12
_SERVICE, _TABLE = "meteostat", "table"


@dataclass(frozen=True)
class PlaceTable:
    """A table of places in a file of the user, or one to be written.

    ``rows`` is empty where the user's file is taken; cells that are blank in it have to be filled in.
    """

    file: str
    columns: Mapping[str, str] = field(default_factory=dict)
    header: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    encoding: str = ""
    sheets: tuple[str, ...] = ()

    @property
    def blank(self) -> bool:
        """Whether a latitude or longitude of the rows has to be filled in."""
        at = [i for i, name in enumerate(self.header) if name in ("latitude", "longitude")]
        return any(not row[i] for row in self.rows for i in at)


@dataclass(frozen=True)
class WeatherChoices:
    """Everything that the study file says of the weather; `files` is empty where the service is asked."""

    files: tuple[str, ...]
    columns: Mapping[str, str] = field(default_factory=dict)
    dates: str = "year-first"
    unit: str | None = None
    stations: PlaceTable | None = None
    empty: bool = False  # Whether the table has to be written and filled in.


def _own_columns(
    interview: Interview, prefix: str, sheet: Sheet, roles: Sequence[Role], first: str
) -> dict[str, str]:
    """Return the columns of a table of places, except the names of the places."""
    columns: dict[str, str] = {}
    taken = {first}
    for role in roles:
        optional = role not in (LATITUDE, LONGITUDE)
        if role is ELEVATION and (feet := [c for c in ELEVATION.fitting(sheet, taken) if _in_feet(c)]):
            interview.state(
                f"{sheet.shown}: '{feet[0]}' is in feet, so it is not used; heights are read in metres"
            )
            taken |= set(feet)
        found = choose_column(interview, prefix, sheet, role, taken=taken, optional=optional)
        if found is not None:
            columns[role.key] = found
            taken.add(found)
    return columns


def _in_feet(name: str) -> bool:
    words = "".join(c if c.isalpha() else " " for c in name.casefold()).split()
    return bool(set(words) & set(_FOOT)) and any(plain(name).startswith(n) for n in ("elev", "alt", "height"))


def _named_column(
    interview: Interview, name: str, sheet: Sheet, role: Role, known: Sequence[str], whose: str
) -> str | None:
    """Return the column that holds the most of some known names; asked where it is not one column only."""
    wanted = set(known)
    hits = {column: len(wanted.intersection(look.distinct)) for column, look in sheet.looks.items()}
    best = max(hits.values(), default=0)
    found = [column for column, hit in hits.items() if hit == best and best > 0]
    named = role.named(sheet)
    found = found if len(found) < 2 else [column for column in found if column in named] or found
    choices = {
        c: f"{hits[c]} of {len(wanted)} names {whose}; {look.words()}" for c, look in sheet.looks.items()
    }
    question = Question(name, f"Which column of {sheet.shown} holds {role.what}?", (), choices)
    if len(found) == 1:
        lacking = sorted(wanted.difference(sheet.looks[found[0]].distinct))
        rest = f"; not there: {', '.join(map(repr, lacking[:6]))}" if lacking else ""
        because = f"{sheet.shown}: '{found[0]}' has {best} of the {len(wanted)} names {whose}{rest}"
        return interview.settle(question, found[0], because)
    if not found and len(named) == 1:
        because = f"{sheet.shown}: '{named[0]}' is {role.what}; none of its names is one {whose}"
        return interview.settle(question, named[0], because)
    return interview.ask(question)


def settle_traps(
    interview: Interview, tables: Recognised, catches: CatchChoices, new_file: str
) -> PlaceTable | None:
    """Return the trap table; one is written where the user has none, or where its names have further parts."""
    places = catches.traps
    sheet, source = tables.traps, "the trap table"
    if sheet is None and LATITUDE.named(tables.catches) and LONGITUDE.named(tables.catches):
        sheet, source = tables.catches, "the catches"
    if sheet is None:
        interview.state(f"{len(places)} traps are in the catches; {new_file} is written with their names")
        rows = [
            (str(trap), str(site), "", "", "")
            for trap, site in zip(places["trap"], places["site"], strict=True)
        ]
        return PlaceTable(new_file, {"trap": "trap"}, TRAP_HEADER, _safe(rows, tables.catches.shown))
    sites = list(dict.fromkeys(map(str, places["site"])))
    names = list(map(str, places["trap"]))
    split = names != list(map(str, places["site"]))
    if sheet is tables.catches:
        key = catches.form.columns.get("trap")
        column = key if isinstance(key, str) else key[0] if key else None
    else:
        column = _named_column(
            interview, "traps.columns.trap", sheet, TRAP, sites if split else names, "in the catches"
        )
    if column is None:
        return None
    roles = (
        (LATITUDE, LONGITUDE, ELEVATION)
        if sheet is tables.catches
        else (LATITUDE, LONGITUDE, ELEVATION, SITE)
    )
    columns = _own_columns(interview, "traps.columns", sheet, roles, column)
    if interview.open:
        return None
    if sheet is not tables.catches and not split:
        encoding = settle_encoding(interview, "traps", sheet)
        columns = {"trap": column, **columns}
        return (
            None
            if encoding is None
            else PlaceTable(sheet.file, columns, encoding=encoding, sheets=sheet.sheets)
        )
    interview.state(
        f"{new_file} is written with the {len(places)} traps of the catches and the places in {source}"
    )
    return PlaceTable(
        new_file, {"trap": "trap"}, TRAP_HEADER, _safe(_rows(sheet, places, column, columns), sheet.shown)
    )


def _rows(
    sheet: Sheet, places: pd.DataFrame, column: str, columns: Mapping[str, str]
) -> list[tuple[str, ...]]:
    """Return the traps of the catches with the positions that a table gives to their places."""
    frame = sheet.table.frame
    keys = ("latitude", "longitude", "elevation_m")
    where = {key: frame[columns[key]] if key in columns else pd.Series("", frame.index) for key in keys}
    if sheet.table.delimiter != ",":
        where = {key: cells.str.replace(",", ".") for key, cells in where.items()}
    known: dict[str, list[tuple[str, ...]]] = {}
    for name, *cells in zip(frame[column], *where.values(), strict=True):
        known.setdefault(str(name), []).append(tuple(map(str, cells)))
    rows = []
    for trap, site in zip(places["trap"], places["site"], strict=True):
        # A trap at several places gets a row for each; the check of the study names them.
        for position in dict.fromkeys(known.get(str(site), [("", "", "")])):
            rows.append((str(trap), str(site), *position))
    return rows


def _safe(rows: Sequence[tuple[str, ...]], file: str) -> tuple[tuple[str, ...], ...]:
    """Return rows that are to be written; refuse a text that a spreadsheet would run as a formula."""
    for row in rows:
        for cell in row:
            if safe_cell(cell) != cell and not NUMBER.fullmatch(cell):
                finding = f"'{shorten(cell)}' begins like a formula, so it is not copied into a new table."
                raise DataError(Problem(finding, "Give it another name, or write the table yourself.", file))
    return tuple(rows)


def settle_weather(
    interview: Interview, tables: Recognised, new_files: tuple[str, str]
) -> WeatherChoices | None:
    """Return what the study file says of the weather; None while questions are open."""
    if not tables.weather and not tables.weather_files:
        return _without_files(interview, new_files[0], new_files[1])
    names = (*tables.weather_files, *(_only_sheet(sheet) for sheet in tables.weather))
    if not tables.weather:
        archived = any(name.lower().endswith(".dly") for name in names)
        stations = _stations(interview, tables, [], new_files[1]) if archived else None
        return None if interview.open else WeatherChoices(names, stations=stations)
    sheet = tables.weather[0]
    columns: dict[str, str] = {}
    taken: set[str] = set()
    for role in (WEATHER_DAY, TMIN, TMAX):
        found = choose_column(interview, "weather.columns", sheet, role, taken=taken)
        if found is None:
            continue
        columns[role.key] = found
        taken.add(found)
    if not STATION.fitting(sheet, taken):
        remedy = "Add a column 'station' with the id of the station in every row."
        raise DataError(Problem("no column can be the station.", remedy, sheet.shown))
    station = choose_column(interview, "weather.columns", sheet, STATION, taken=taken)
    if interview.open or station is None:
        return None
    columns = {"station": station, **columns}
    cells = pd.concat([s.table.frame[columns["date"]] for s in tables.weather], ignore_index=True)
    ids = pd.concat([s.table.frame[station] for s in tables.weather], ignore_index=True)
    dates = date_order(interview, "weather", (sheet.shown, columns["date"]), cells.tolist(), ids.tolist())
    if dates is None:
        return None
    unit = _unit(interview, tables.weather, columns, dates_of(cells, dates))
    found_stations = _stations(interview, tables, list(dict.fromkeys(ids)), new_files[1])
    if interview.open:
        return None
    return WeatherChoices(names, columns, dates, unit, found_stations)


def _only_sheet(sheet: Sheet) -> str:
    """Return the file of a table of weather, which can have no further sheets and no encoding of its own."""
    if sheet.sheets:
        remedy = "Save the sheet as CSV, or as a workbook of its own."
        raise DataError(Problem("weather is not read from one of several sheets.", remedy, sheet.shown))
    if sheet.encoding:
        raise DataError(Problem("the file is not UTF-8 text.", "Save it as UTF-8.", sheet.shown))
    return sheet.file


def _without_files(interview: Interview, table: str, stations: str) -> WeatherChoices | None:
    """Ask where the weather comes from."""
    choices = {
        _SERVICE: "daily series of open stations near the traps, fetched from a service",
        _TABLE: f"my own; {table} and {stations} are written to be filled in",
    }
    question = Question(
        "weather.service", "No file holds temperatures. Where do they come from?", (), choices
    )
    answer = interview.ask(question)
    if answer is None:
        return None
    if answer == _SERVICE:
        return WeatherChoices(())
    unit = ask_unit(interview, ())
    empty = PlaceTable(stations, {"station": "station"}, STATION_HEADER)
    return None if unit is None else WeatherChoices((table,), unit=unit, stations=empty, empty=True)


def ask_unit(interview: Interview, evidence: tuple[str, ...]) -> str | None:
    """Ask in which unit temperatures are."""
    names = dict(zip(TEMPERATURE_UNITS, ("degrees Celsius", "degrees Fahrenheit", "kelvin"), strict=True))
    return interview.ask(Question("weather.unit", "In which unit are the temperatures?", evidence, names))


def _unit(
    interview: Interview, sheets: Sequence[Sheet], columns: Mapping[str, str], days: np.ndarray
) -> str | None:
    """Return the unit: stated where a whole year makes sense in one unit only."""
    numbers = []
    for key in ("tmin", "tmax"):
        parts = [parse_numbers(sheet.table, columns[key])[0] for sheet in sheets]
        values = np.concatenate(parts)
        numbers.append(np.where(np.isin(values, MISSING_CODES["degF"]), np.nan, values))
    warmest, months = warmest_month(numbers[0], numbers[1], days)
    readings = unit_readings(warmest)
    sensible = {unit: value for unit, value in readings.items() if is_summer(value)}
    said = f"the mean of the warmest month is {warmest:.1f}"
    if len(sensible) == 1 and months == _WHOLE_YEAR:
        unit, value = next(iter(sensible.items()))
        names = dict.fromkeys(TEMPERATURE_UNITS, "")
        because = f"{sheets[0].shown}: {said}, in {unit} {value:.1f} °C; in any other unit that is no summer"
        return interview.settle(Question("weather.unit", "", choices=names), unit, because)
    reads = "; ".join(f"in {unit} {value:.1f} °C" for unit, value in readings.items())
    return ask_unit(interview, (f"Of {months} months with temperatures, {said}: {reads}.",))


def _stations(
    interview: Interview, tables: Recognised, ids: Sequence[str], new_file: str
) -> PlaceTable | None:
    """Return the station table; one is written where the user has none. None also while a question is open."""
    sheet = tables.stations
    if sheet is None and tables.traps is not None and "station" in map(plain, tables.traps.looks):
        interview.state(
            f"no file has the positions of the stations; {tables.traps.shown} names the one of each trap"
        )
        return None
    if sheet is None:
        interview.state(f"no file has the positions of the stations; {new_file} is written with their names")
        rows = [(name, "", "", "") for name in ids if name]
        return PlaceTable(new_file, {"station": "station"}, STATION_HEADER, _safe(rows, "the weather"))
    name = "weather.station_columns.station"
    column = _named_column(interview, name, sheet, STATION, ids, "in the weather")
    if column is None:
        return None
    roles = (LATITUDE, LONGITUDE, ELEVATION)
    columns = _own_columns(interview, "weather.station_columns", sheet, roles, column)
    return PlaceTable(_only_sheet(sheet), {"station": column, **columns})
