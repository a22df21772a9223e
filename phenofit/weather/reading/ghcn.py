"""Daily archive files of the global historical network (GHCN-Daily): fixed width, by-station CSV, and CSV by day.

The first two hold one element per line, the third has a column for each element and one for its flags. All are in
tenths of a degree Celsius, with a measurement, a quality and a source flag.
"""

from __future__ import annotations

import csv
import os
import re
from pathlib import Path

import numpy as np
import pandas as pd

from phenofit.errors import DataError, Problem
from phenofit.files import require_regular
from phenofit.weather.reading.assemble import DayRows
from phenofit.weather.schema import FLAGS, SOURCES

MISSING = -9999
TENTHS = 10.0
_ELEMENTS = ("TMIN", "TMAX")
_FIXED = re.compile(r"^[A-Z0-9_-]{11}\d{6}[A-Z0-9]{4}")
# Observation times HHMM at which the maximum read is mostly that of the day before.
_MORNING = range(300, 1100)


# Station, date, element, value, measurement flag, quality flag, hour of observation, row of the file.
_Value = tuple[str, str, str, int, str, str, str, int]
_COLUMNS = ["station", "date", "element", "value", "measured", "quality", "hour", "row"]


def read_ghcn_daily(path: str | os.PathLike[str], *, keep_failed: bool = False) -> DayRows:
    """Read one GHCN-Daily file, ``.dly`` or one of the two CSV files; the first line shows which."""
    file = os.fspath(path)
    require_regular(path, remedy="Check the name and the folder.")
    lines = Path(path).read_text(encoding="latin-1").splitlines()
    first = next((line for line in lines if line.strip()), "")
    if _FIXED.match(first):
        values, problems = _fixed_width(lines, file)
    elif {"STATION", "DATE"} <= set(header := next(csv.reader([first]))):
        values, problems = _by_day(lines, header, file)
    elif first.count(",") >= 6:
        values, problems = _by_station(lines, file)
    else:
        finding = "the first line has the form of neither a .dly file nor a CSV of the archive."
        remedy = "Give the archive's file as it was downloaded and unpacked."
        raise DataError(Problem(finding, remedy, file, 1))
    if problems:
        raise DataError(problems)
    if not values:
        raise DataError(
            Problem("there is no TMIN and no TMAX in it.", "Choose a station that has them.", file)
        )
    return _joined(values, Path(path).name, keep_failed)


def _fixed_width(lines: list[str], file: str) -> tuple[list[_Value], list[Problem]]:
    values: list[_Value] = []
    problems: list[Problem] = []
    for row, line in enumerate(lines, start=1):
        element = line[17:21]
        if element not in _ELEMENTS:
            continue
        month = line[11:15] + "-" + line[15:17]
        for day in range(1, 32):
            cell = line[21 + 8 * (day - 1) : 29 + 8 * (day - 1)]
            text = cell[:5].strip()
            if not text:
                continue
            if re.fullmatch(r"-?\d+", text) is None:
                finding = f"day {day}: '{text}' is not a whole number."
                remedy = "A value takes 5 characters, its three flags one each."
                problems.append(Problem(finding, remedy, file, row, element))
            elif int(text) != MISSING:
                flags = cell[5:8].ljust(3)
                date = f"{month}-{day:02d}"
                values.append((line[:11], date, element, int(text), flags[0], flags[1], "", row))
    return values, problems


def _by_station(lines: list[str], file: str) -> tuple[list[_Value], list[Problem]]:
    values: list[_Value] = []
    problems: list[Problem] = []
    for row, line in enumerate(lines, start=1):
        cells = [cell.strip().strip('"') for cell in line.split(",")]
        if len(cells) < 4 or cells[2] not in _ELEMENTS:
            continue
        cells += [""] * (8 - len(cells))
        if re.fullmatch(r"\d{8}", cells[1]) is None or re.fullmatch(r"-?\d+", cells[3]) is None:
            finding = f"'{cells[1]}', '{cells[3]}' are not a date YYYYMMDD and a whole number."
            problems.append(Problem(finding, "Give the archive's file unchanged.", file, row))
        elif int(cells[3]) != MISSING:
            date = f"{cells[1][:4]}-{cells[1][4:6]}-{cells[1][6:]}"
            values.append((cells[0], date, cells[2], int(cells[3]), cells[4], cells[5], cells[7], row))
    return values, problems


def _by_day(lines: list[str], header: list[str], file: str) -> tuple[list[_Value], list[Problem]]:
    absent = [name for e in _ELEMENTS if e in header and (name := f"{e}_ATTRIBUTES") not in header]
    if absent:
        finding = "the column is absent: which values failed a check of the archive is not known."
        raise DataError(
            [Problem(finding, "Download the file with its attributes.", file, 1, n) for n in absent]
        )
    values: list[_Value] = []
    problems: list[Problem] = []
    reader = csv.DictReader(lines, restval="")
    for cells in reader:
        for element in (e for e in _ELEMENTS if cells.get(e, "").strip()):
            text, row = cells[element].strip(), reader.line_num
            if (
                re.fullmatch(r"\d{4}-\d\d-\d\d", cells["DATE"]) is None
                or re.fullmatch(r"-?\d+", text) is None
            ):
                finding = (
                    f"'{cells['DATE']}', '{text}' are not a date YYYY-MM-DD and a whole number of tenths."
                )
                remedy = "Give the archive's file unchanged; read a file in degrees as a daily table, with its unit."
                problems.append(Problem(finding, remedy, file, row, element))
            elif int(text) != MISSING:
                measured, quality, hour = flags_of(cells[f"{element}_ATTRIBUTES"])
                found = (cells["STATION"], cells["DATE"], element, int(text), measured, quality, hour, row)
                values.append(found)
    return values, problems


def flags_of(attributes: str) -> tuple[str, str, str]:
    """Return measurement flag, quality flag and hour from a cell such as ``",X,S,1800"``."""
    measured, quality, _, hour, *_ = [*attributes.split(","), "", "", "", ""]
    return measured.strip(), quality.strip(), hour.strip()


def _joined(values: list[_Value], file: str, keep_failed: bool) -> DayRows:
    """Join the elements of a day (outer) after the quality flags were applied."""
    frame = pd.DataFrame(values, columns=_COLUMNS)
    frame["celsius"] = frame["value"] / TENTHS
    failed = frame["quality"].str.strip() != ""
    lagged = frame["measured"] == "L"
    notes, found = [], []
    if failed.any():
        notes.append(failed_note(frame.loc[failed, "quality"], file, keep_failed))
        found.append(failed_findings(frame[failed], file))
    if lagged.any():
        notes.append(
            f"{file}: {int(lagged.sum())} values are marked by the archive as lagged behind their hour."
        )
    hours = pd.to_numeric(frame.loc[frame["element"] == "TMAX", "hour"], errors="coerce")
    morning = int(hours.isin(_MORNING).sum())
    if morning:
        notes.append(
            f"{file}: {morning} of {len(hours)} maxima were read in the morning, so that they mostly belong to "
            "the day before; nothing was moved. A comparison with neighbours shows which maxima are a day late."
        )
    frame["flag"] = np.where(failed, FLAGS["failed_quality_check"], 0) | np.where(
        lagged, FLAGS["lagged_observation"], 0
    )
    if not keep_failed:
        frame.loc[failed, "celsius"] = np.nan
    # A second value of a day makes a second row, for the rule on days that occur more than once.
    frame["time"] = frame.groupby(["station", "date", "element"]).cumcount()
    sides = [
        frame.loc[frame["element"] == element, ["station", "date", "time", "celsius", "flag", "row"]]
        for element in _ELEMENTS
    ]
    days = sides[0].merge(sides[1], on=["station", "date", "time"], how="outer", suffixes=("_low", "_high"))
    days = days.sort_values(["station", "date", "time"]).reset_index(drop=True)
    for side in ("low", "high"):
        # An element that has one value has it in every row of its day.
        earlier = days.groupby(["station", "date"])[[f"celsius_{side}", f"row_{side}"]].ffill()
        lacking = days[f"row_{side}"].isna()
        days.loc[lacking, [f"celsius_{side}", f"row_{side}"]] = earlier[lacking]
    flag = days["flag_low"].fillna(0).astype(int) | days["flag_high"].fillna(0).astype(int)
    size = len(days)
    return DayRows(
        days["station"].to_numpy(dtype=object),
        days["date"].to_numpy(dtype="datetime64[D]"),
        days["celsius_low"].to_numpy(dtype=float),
        days["celsius_high"].to_numpy(dtype=float),
        np.full(size, file, dtype=object),
        days["row_low"].fillna(days["row_high"]).to_numpy(dtype=np.int64),
        flag.to_numpy(dtype=np.int16),
        np.full(size, SOURCES["observed"], dtype=np.int8),
        notes,
        found,
    )


def failed_note(quality: pd.Series[str], file: str, keep_failed: bool) -> str:
    """Return the sentence on values that failed a quality check."""
    kinds = ", ".join(f"{flag}: {count}" for flag, count in quality.value_counts().sort_index().items())
    action = "kept, as asked" if keep_failed else "set to missing"
    return f"{file}: {len(quality)} values failed a quality check of the archive ({kinds}); {action}."


def failed_findings(failed: pd.DataFrame, file: str) -> pd.DataFrame:
    """Return values that failed a quality check, from ``station, date, element, celsius, quality, row``."""
    return pd.DataFrame(
        {
            "station": failed["station"],
            "date": failed["date"],
            "flag": "failed_quality_check",
            "tmin": failed["celsius"].where(failed["element"] == "TMIN"),
            "tmax": failed["celsius"].where(failed["element"] == "TMAX"),
            "where": [
                f"{file}, row {r}, flag {q}" for r, q in zip(failed["row"], failed["quality"], strict=True)
            ],
        }
    )
