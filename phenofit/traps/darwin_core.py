"""Catches as Darwin Core occurrences, so that a network's records can be published and read again.

Every interval of a trap is one sampling event and one occurrence record: present with its number, or absent.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable

import numpy as np
import pandas as pd

from phenofit.errors import DataError, ModelError, Problem
from phenofit.files import write_csv
from phenofit.files.cells import parse_numbers
from phenofit.files.dates import FIRST_YEAR, LAST_YEAR
from phenofit.files.tables import read_table
from phenofit.files.text_table import Table
from phenofit.traps.count_cells import LARGEST_COUNT
from phenofit.traps.positions import position_problems, read_positions
from phenofit.traps.sampling_events import joined_to_events
from phenofit.traps.sequence import sequence_problems
from phenofit.traps.trap_table import TRAP_COLUMNS
from phenofit.traps.years import TrapYears

DARWIN_CORE_TERMS = (
    "occurrenceID", "eventID", "basisOfRecord", "scientificName", "occurrenceStatus", "individualCount",
    "eventDate", "samplingProtocol", "samplingEffort", "sampleSizeValue", "sampleSizeUnit", "locationID",
    "locality", "decimalLatitude", "decimalLongitude", "geodeticDatum", "minimumElevationInMeters",
    "maximumElevationInMeters", "occurrenceRemarks",
)  # fmt: skip
"""Terms written, in order."""

_REQUIRED = ("eventDate", "locationID", "decimalLatitude", "decimalLongitude", "occurrenceStatus")
_OPTIONAL = (
    "individualCount", "scientificName", "locality", "minimumElevationInMeters", "sampleSizeValue",
    "sampleSizeUnit", "occurrenceRemarks",
)  # fmt: skip
_OF_AN_EVENT = ("eventID", "scientificName", "occurrenceStatus")
_AT_LEAST = re.compile(r"^at least (\d+)\b")
_TRAP_UNITS = ("trap", "traps")
# Dates of ISO 8601: to the day or finer, with a zone, and too coarse for a check.
_DAY = re.compile(r"^(\d{4})-(\d{2})-(\d{2})(?:T(\d{2}):(\d{2})(?::(\d{2})(?:\.0+)?)?)?$")
_ZONE = re.compile(r"T.*(?:Z|[+-]\d{2}(?::?\d{2})?)$")
_COARSE = re.compile(r"^\d{4}(?:-\d{2})?$|^\d{4}-\d{3}$|^\d{4}-W\d{2}")


def to_darwin_core(
    trap_years: TrapYears,
    *,
    scientific_name: str,
    sampling_protocol: str,
    geodetic_datum: str,
    dataset: str = "",
) -> pd.DataFrame:
    """Return the intervals of trap-years as Darwin Core occurrence records.

    Parameters
    ----------
    trap_years : TrapYears
        The catches.
    scientific_name : str
        Name of the species.
    sampling_protocol : str
        How the moths were caught, such as ``"delta trap with sex pheromone"``.
    geodetic_datum : str
        Datum of the coordinates, such as ``"EPSG:4326"``, or ``"not recorded"``; never guessed.
    dataset : str
        Put in front of the record ids, to keep them apart from those of other data sets.

    Returns
    -------
    pandas.DataFrame
        One row per interval with the columns :data:`DARWIN_CORE_TERMS`. ``eventDate`` is the interval in local
        time; a catch that was not fully counted has no ``individualCount`` but a remark.

    Raises
    ------
    ModelError
        If one of the three texts is blank.
    """
    for name, text in (
        ("scientific_name", scientific_name),
        ("sampling_protocol", sampling_protocol),
        ("geodetic_datum", geodetic_datum),
    ):
        if not text.strip():
            raise ModelError(f"{name} is blank; say it in words, it cannot be guessed.")
    table = trap_years.intervals.merge(
        trap_years.years[["trap_year", "latitude", "longitude", "elevation_m"]], on="trap_year"
    )
    days = (table["end"] - table["start"]).dt.total_seconds() / 86400.0
    dates = [
        event_date(a, b) for a, b in zip(table["start"].to_numpy(), table["end"].to_numpy(), strict=True)
    ]
    prefix = f"{dataset}:" if dataset else ""
    events = [f"{prefix}{trap}:{date}" for trap, date in zip(table["trap"], dates, strict=True)]
    exact = table["status"] == "counted"
    remarks = {"at least": "at least {} individuals, not all counted", "present": "seen, not counted"}
    found = pd.DataFrame(
        {
            "occurrenceID": [f"{event}:{scientific_name}" for event in events],
            "eventID": events,
            "basisOfRecord": "HumanObservation",
            "scientificName": scientific_name,
            "occurrenceStatus": np.where((table["count"] > 0) | ~exact, "present", "absent"),
            "individualCount": table["count"].astype("Int64").mask(~exact),
            "eventDate": dates,
            "samplingProtocol": sampling_protocol,
            "samplingEffort": [
                f"{effort * length:g} trap-days" for effort, length in zip(table["effort"], days, strict=True)
            ],
            "sampleSizeValue": table["effort"],
            "sampleSizeUnit": "trap",
            "locationID": table["trap"],
            "locality": table["site"],
            "decimalLatitude": table["latitude"],
            "decimalLongitude": table["longitude"],
            "geodeticDatum": geodetic_datum,
            "minimumElevationInMeters": table["elevation_m"],
            "maximumElevationInMeters": table["elevation_m"],
            "occurrenceRemarks": [
                remarks.get(status, "").format(count)
                for status, count in zip(table["status"], table["count"], strict=True)
            ],
        }
    )
    return found[list(DARWIN_CORE_TERMS)]


def write_darwin_core(path: str | os.PathLike[str], records: pd.DataFrame) -> None:
    """Write occurrence records as comma-separated UTF-8 text, whole or not at all.

    Parameters
    ----------
    path : path-like
        Where to.
    records : pandas.DataFrame
        From :func:`to_darwin_core`; several species may be put one below the other.
    """
    write_csv(path, list(records.columns), records.itertuples(index=False, name=None))


def read_darwin_core(
    path: str | os.PathLike[str], *, hour: float = 12.0, events: str | os.PathLike[str] | None = None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Read trap catches from a Darwin Core occurrence table, alone or with its sampling events.

    Parameters
    ----------
    path : path-like
        Delimited text with at least ``eventDate, locationID, decimalLatitude, decimalLongitude,
        occurrenceStatus``. An interval in ``eventDate`` gives set and check; a single date is a check.
    hour : float
        Hour of dates without a time of day [h, local].
    events : path-like, optional
        Table of sampling events. It then has ``eventID`` and the date, place and effort, and the occurrences
        have ``eventID, scientificName, occurrenceStatus``.

    Returns
    -------
    traps : pandas.DataFrame
        As from :func:`phenofit.traps.read_traps`; the trap is the ``locationID``, the site the ``locality``.
    catches : pandas.DataFrame
        As from :func:`phenofit.traps.read_catches`, with ``species`` where ``scientificName`` is there.

    Raises
    ------
    DataError
        With every problem found.

    Notes
    -----
    ``absent`` is a count of 0; ``present`` without an ``individualCount`` is a catch that was not counted.
    ``sampleSizeValue`` is taken as effort where its unit is ``trap``. An event without an occurrence is a check
    that names no species: :func:`phenofit.traps.catches_of_species` asks what that means.
    """
    if events is None:
        table = where = read_table(path, required=_REQUIRED, optional=_OPTIONAL, keep_others=True)
    else:
        table = read_table(path, required=_OF_AN_EVENT, optional=_OPTIONAL)
        where = read_table(
            events, required=("eventID", *_REQUIRED[:-1]), optional=_OPTIONAL, keep_others=True
        )
    for one in (table, where):
        if one.frame.empty:
            raise DataError(Problem("the table has no row.", "List one record per row.", one.file))
    set_, check, problems = _dates(where, hour)
    count, status, more = _counts(table)
    problems += more
    effort, more = _effort(where)
    problems += more
    traps, more = _traps(where)
    problems += more
    checks = pd.DataFrame(
        {"trap": where.frame["locationID"], "set": set_, "check": check, "effort": effort, "row": where.rows}
    )
    found = pd.DataFrame({"count": count, "status": status})
    if "scientificName" in table.frame:
        found["species"] = table.frame["scientificName"]
    if events is None:
        catches = pd.concat([checks, found], axis=1)
    else:
        catches, more = joined_to_events(checks, where, found, table)
        problems += more
    catches = catches[["trap", "set", "check", "count", "status", "effort", "row", *found.columns[2:]]]
    catches = catches.sort_values(["trap", "check", "row"], kind="stable", ignore_index=True)
    problems += sequence_problems(catches, file=where.file, names={"date": "eventDate", "set": "eventDate"})
    if problems:
        raise DataError(sorted(problems, key=lambda p: p.row or 0))
    traps.attrs = {"notes": (), "file": where.file}
    notes = table.notes if events is None else (*table.notes, *where.notes)
    catches.attrs = {"notes": notes, "file": where.file}
    return traps, catches


def _dates(table: Table, hour: float) -> tuple[np.ndarray, np.ndarray, list[Problem]]:
    set_ = np.full(len(table.frame), np.datetime64("NaT", "ns"))
    check, problems = set_.copy(), []
    for i, text in enumerate(table.frame["eventDate"]):
        try:
            set_[i], check[i] = read_event_date(text, hour=hour)
        except ValueError as fault:
            remedy = "Write year-month-day, or start/end with the day of setting and of the check."
            problems.append(table.problem(i, "eventDate", f"'{table.cell(i, 'eventDate')}' {fault}", remedy))
    return set_, check, problems


def _counts(table: Table) -> tuple[np.ndarray, list[str], list[Problem]]:
    number = np.full(len(table.frame), np.nan)
    problems: list[Problem] = []
    if "individualCount" in table.frame:
        number, problems = parse_numbers(
            table, "individualCount", low=0, high=LARGEST_COUNT, what="a whole number"
        )
    remarks: Iterable[str] = table.frame.get("occurrenceRemarks", [""] * len(table.frame))
    status = ["counted"] * len(number)
    for i, (word, remark) in enumerate(zip(table.frame["occurrenceStatus"], remarks, strict=True)):
        present = {"present": True, "absent": False}.get(word.casefold())
        remedy = "An absence has a count of 0 or none; a presence has 1 or more, or none."
        if present is None:
            finding = f"'{table.cell(i, 'occurrenceStatus')}' is no occurrence status."
            problems.append(table.problem(i, "occurrenceStatus", finding, "Write present or absent."))
        elif np.isnan(number[i]):  # not counted
            least = _AT_LEAST.match(remark)
            if present:
                number[i] = float(least.group(1)) if least else 1.0
                status[i] = "at least" if least else "present"
            else:
                number[i] = 0.0
        elif number[i] % 1:
            problems.append(table.problem(i, "individualCount", f"{number[i]:g} is not whole.", remedy))
        elif present != (number[i] > 0):
            finding = f"'{word}' contradicts the count {number[i]:g}."
            problems.append(table.problem(i, "individualCount", finding, remedy))
    return number, status, problems


def _effort(table: Table) -> tuple[np.ndarray, list[Problem]]:
    ones = np.ones(len(table.frame))
    if "sampleSizeValue" not in table.frame or "sampleSizeUnit" not in table.frame:
        return ones, []
    effort, problems = parse_numbers(table, "sampleSizeValue", low=1e-9, high=1e6, what="a number of traps")
    in_traps = table.frame["sampleSizeUnit"].str.casefold().isin(_TRAP_UNITS).to_numpy()
    return np.where(in_traps & np.isfinite(effort), effort, ones), problems


def _traps(table: Table) -> tuple[pd.DataFrame, list[Problem]]:
    """Return one row per location; a location at two positions is a problem."""
    cells = table.frame
    latitude, longitude, elevation, problems = read_positions(
        table, "decimalLatitude", "decimalLongitude", "minimumElevationInMeters"
    )
    remedy = "Give every trap position an id."
    problems += table.problems(cells["locationID"] == "", "locationID", "the row names no location.", remedy)
    site = (
        cells["locality"].where(cells["locality"] != "", cells["locationID"])
        if "locality" in cells
        else cells["locationID"]
    )
    frame = pd.DataFrame(
        {
            "trap": cells["locationID"],
            "site": site,
            "latitude": latitude,
            "longitude": longitude,
            "elevation_m": elevation,
            "station": pd.Series(pd.NA, index=cells.index, dtype="string"),
            "row": table.rows,
        }
    )
    places = frame.drop_duplicates(["trap", "latitude", "longitude"])
    again = places[places["trap"].duplicated() & places["latitude"].notna() & places["longitude"].notna()]
    problems += [
        Problem(
            f"location '{trap}' has a second position.",
            "Give each position an id of its own.",
            table.file,
            int(row),
            "locationID",
        )
        for trap, row in zip(again["trap"], again["row"], strict=True)
    ]
    single = places.drop_duplicates("trap").reset_index(drop=True)
    problems += position_problems(
        single["trap"].tolist(),
        single["latitude"].to_numpy(),
        single["longitude"].to_numpy(),
        rows=single["row"].tolist(),
        file=table.file,
        latitude_column="decimalLatitude",
        longitude_column="decimalLongitude",
    )
    return single[[*TRAP_COLUMNS, "row"]], problems


def event_date(start: np.datetime64, end: np.datetime64) -> str:
    """Write an interval, to the minute."""
    return f"{np.datetime_as_string(start, unit='m')}/{np.datetime_as_string(end, unit='m')}"


def read_event_date(text: str, *, hour: float = 12.0) -> tuple[np.datetime64, np.datetime64]:
    """Read a date, a date-time or an interval of both."""
    parts = text.split("/")
    if len(parts) > 2:
        raise ValueError("has more than one '/'.")
    end_text = parts[-1]
    if len(parts) == 2 and re.fullmatch(r"\d{2}(?:-\d{2})?", end_text):
        end_text = parts[0][: 10 - len(end_text)] + end_text
    end = _date_time(end_text, hour)
    if len(parts) == 1:
        return np.datetime64("NaT", "ns"), end
    start = _date_time(parts[0], hour)
    if start >= end:
        raise ValueError("does not end after its start.")
    return start, end


def _date_time(text: str, hour: float) -> np.datetime64:
    match = _DAY.match(text)
    if match is None:
        if _ZONE.search(text):
            raise ValueError("has a time zone; heat is summed by local days, so give the local time.")
        if _COARSE.match(text):
            raise ValueError("names no single day.")
        raise ValueError("is not an ISO 8601 date or interval.")
    try:
        day = np.datetime64("-".join(match.group(1, 2, 3)), "ns")
    except ValueError:
        raise ValueError("is no day of the calendar.") from None
    if not FIRST_YEAR <= int(match.group(1)) <= LAST_YEAR:
        raise ValueError(f"lies outside the years {FIRST_YEAR} to {LAST_YEAR}.")
    if match.group(4) is None:
        return day + np.timedelta64(round(hour * 3600), "s")
    hours, minutes, seconds = (int(match.group(i) or 0) for i in (4, 5, 6))
    if hours > 24 or minutes > 59 or seconds > 59 or (hours == 24 and minutes + seconds > 0):
        raise ValueError("has no such time of day.")
    return day + np.timedelta64(hours * 3600 + minutes * 60 + seconds, "s")
