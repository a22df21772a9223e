"""Daily station tables: station, date, minimum, maximum in a declared unit."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from phenofit.errors import DataError, Problem
from phenofit.files.cells import parse_dates, parse_numbers, two_digit_year_notes
from phenofit.files.tables import nearest, read_table
from phenofit.files.text_table import Table, TableSource
from phenofit.units import temperature_unit
from phenofit.weather.reading.assemble import DayRows
from phenofit.weather.reading.ghcn import failed_findings, failed_note, flags_of
from phenofit.weather.reading.missing_codes import celsius_without_codes
from phenofit.weather.schema import FLAGS, SOURCES

_ATTRIBUTES = {"tmin": "tmin_attributes", "tmax": "tmax_attributes"}
"""Columns of the archive's downloads in addition to the temperatures: measurement, quality and source flag, hour."""


def read_daily_table(
    path: TableSource,
    *,
    unit: str,
    columns: Mapping[str, str] | None = None,
    dates: str = "year-first",
    missing_codes: Collection[float] | None = None,
    keep_failed: bool = False,
    station: str | None = None,
) -> DayRows:
    """Read one daily station table; the columns ``tmin_attributes`` and ``tmax_attributes`` hold the flags of the daily archive."""
    house_unit = temperature_unit(unit)
    keys = ["date", "tmin", "tmax"]
    table = read_table(
        path,
        columns=columns,
        required=keys if station is not None else ["station", *keys],
        optional=["source", *_ATTRIBUTES.values(), *(["station"] if station is not None else [])],
    )
    name = Path(table.file).name
    days, problems = parse_dates(table, "date", dates)
    notes = [f"{name}: {note}" for note in table.notes]
    notes += [
        f"{name}, column '{table.names['date']}': {note}" for note in two_digit_year_notes(table, ["date"])
    ]
    values: dict[str, np.ndarray] = {}
    for column in ("tmin", "tmax"):
        numbers, faults = parse_numbers(table, column, what=f"a temperature in {house_unit}")
        problems += faults
        where = f"{name}, column '{table.names[column]}'"
        values[column], more = celsius_without_codes(numbers, house_unit, where, missing_codes)
        notes += more
    ids, faults = _stations(table, station)
    problems += faults
    source, faults = _sources(table)
    problems += faults
    if problems:
        raise DataError(sorted(problems, key=lambda p: p.row or 0))
    size = len(ids)
    days = days.astype("datetime64[D]")
    failed = pd.concat([_failed(table, element, ids, days, values[element]) for element in _ATTRIBUTES])
    flag = np.zeros(size, dtype=np.int16)
    if not failed.empty:
        notes.append(failed_note(failed["quality"], name, keep_failed))
        flag[failed["at"]] = FLAGS["failed_quality_check"]
        for element in () if keep_failed else _ATTRIBUTES:
            values[element][failed.loc[failed["element"] == element.upper(), "at"]] = np.nan
    return DayRows(
        ids,
        days,
        values["tmin"],
        values["tmax"],
        np.full(size, name, dtype=object),
        table.rows,
        flag,
        source,
        notes,
        [] if failed.empty else [failed_findings(failed, name)],
    )


def _failed(
    table: Table, element: str, ids: np.ndarray, days: np.ndarray, celsius: np.ndarray
) -> pd.DataFrame:
    """Return the values of an element whose attributes hold a quality flag, with their positions."""
    if _ATTRIBUTES[element] in table.frame:
        quality = np.array([flags_of(text)[1] for text in table.frame[_ATTRIBUTES[element]]], dtype=object)
    else:
        quality = np.full(len(ids), "", dtype=object)
    at = np.flatnonzero((quality != "") & ~np.isnan(celsius))
    return pd.DataFrame(
        {
            "at": at,
            "station": ids[at],
            "date": days[at].astype(str),
            "element": element.upper(),
            "celsius": celsius[at],
            "quality": quality[at],
            "row": table.rows[at],
        }
    )


def _stations(table: Table, station: str | None) -> tuple[np.ndarray, list[Problem]]:
    if "station" not in table.frame:
        return np.full(len(table.rows), station, dtype=object), []
    ids = table.frame["station"]
    problems = table.problems(ids == "", "station", "has no station id.", "Write one.")
    return ids.astype(str).to_numpy(dtype=object), problems


def _sources(table: Table) -> tuple[np.ndarray, list[Problem]]:
    if "source" not in table.frame:
        return np.full(len(table.rows), SOURCES["observed"], dtype=np.int8), []
    words = table.frame["source"].str.lower()
    known = {"": SOURCES["observed"], **SOURCES}
    problems = [
        table.problem(
            int(i),
            "source",
            f"'{table.cell(int(i), 'source')}' is not a source.",
            f"Accepted are {', '.join(SOURCES)} or a blank for observed.{nearest(words.iloc[i], SOURCES)}",
        )
        for i in np.flatnonzero(~words.isin(list(known)).to_numpy())
    ]
    return words.map(known).fillna(0).to_numpy().astype(np.int8), problems
