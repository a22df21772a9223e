"""Hourly temperatures to daily extremes, on days of local standard time."""

from __future__ import annotations

import os
import zoneinfo
from collections.abc import Collection, Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from phenofit.errors import DataError, ModelError, Problem
from phenofit.files.cells import parse_dates, parse_numbers, some
from phenofit.files.tables import read_table
from phenofit.units import temperature_unit
from phenofit.weather.reading.assemble import DayRows
from phenofit.weather.reading.missing_codes import celsius_without_codes
from phenofit.weather.schema import FLAGS, SOURCES

TIMES = ("UTC", "local standard")
"""Time bases of hourly stamps; a name of the time-zone database stands for its clock, summer time included."""
FARTHEST_FROM_SUN = 4.0
"""Standard time that differs more from the time of the sun is refused [h]; western China has 3 (computed)."""


def read_hourly_table(
    path: str | os.PathLike[str],
    *,
    unit: str,
    times: str,
    utc_offset: float | Mapping[str, float],
    columns: Mapping[str, str] | None = None,
    dates: str = "year-first",
    day_starts: float = 0.0,
    minimum_hours: int = 20,
    missing_codes: Collection[float] | None = None,
    station: str | None = None,
) -> DayRows:
    """Read an hourly table and take the extremes of each day."""
    house_unit = temperature_unit(unit)
    needed = ["time", "temperature"]
    table = read_table(path, columns=columns, required=needed if station else ["station", *needed])
    stamps_text = table.frame["time"]
    if times == "UTC":
        table.frame["time"] = stamps_text.str.replace(r"(?:Z|\s*UTC|\+00:?00)$", "", regex=True)
    stamps, problems = parse_dates(table, "time", dates)
    values, faults = parse_numbers(table, "temperature", what=f"a temperature in {house_unit}")
    if problems or faults:
        raise DataError([*problems, *faults])
    name = Path(path).name
    notes = [f"{name}: {note}" for note in table.notes]
    where = f"{name}, column '{table.names['temperature']}'"
    celsius, coded = celsius_without_codes(values, house_unit, where, missing_codes)
    ids = (
        np.full(len(values), station, dtype=object)
        if station
        else table.frame["station"].astype(str).to_numpy(dtype=object)
    )
    standard, more = _local_standard(stamps, ids, times, utc_offset, name)
    rows = daily_extremes(
        ids, standard, celsius, day_starts=day_starts, minimum_hours=minimum_hours, file=name
    )
    rows.notes[:0] = [*notes, *coded, *more]
    return rows


def standard_offsets(ids: np.ndarray, utc_offset: float | Mapping[str, float], file: str) -> np.ndarray:
    """Return local standard time minus UTC for each station id (timedelta64[s])."""
    if isinstance(utc_offset, Mapping):
        absent = sorted(set(ids) - set(utc_offset))
        if absent:
            raise DataError(
                Problem(f"no utc_offset is given for {', '.join(absent)}.", "Give the hours for each.", file)
            )
        hours = np.array([utc_offset[s] for s in ids], dtype=float)
    else:
        hours = np.full(len(ids), float(utc_offset))
    if not (np.abs(hours) <= 14).all():
        raise ModelError("utc_offset must be between -14 and 14 hours.")
    shift: np.ndarray = (hours * 3600).astype("timedelta64[s]")
    return shift


def _local_standard(
    stamps: np.ndarray, ids: np.ndarray, times: str, utc_offset: float | Mapping[str, float], file: str
) -> tuple[np.ndarray, list[str]]:
    """Return stamps in local standard time; NaT where the clock hour did not exist."""
    shift = standard_offsets(ids, utc_offset, file)
    if times == "local standard":
        return stamps, []
    if times == "UTC":
        return stamps + shift, []
    try:
        zoneinfo.ZoneInfo(times)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError):
        raise ModelError(
            f"times = '{times}' is neither {' nor '.join(TIMES)} nor a known time zone."
        ) from None
    clock = pd.DatetimeIndex(stamps)
    # In autumn an hour comes twice: its first appearance at a station is that of summer time.
    first = ~pd.DataFrame({"id": ids, "at": clock}).duplicated().to_numpy()
    utc = clock.tz_localize(times, ambiguous=first, nonexistent="NaT").tz_convert("UTC").tz_localize(None)
    lost = int((np.isnat(utc.to_numpy()) & ~np.isnat(clock.to_numpy())).sum())
    either = clock.tz_localize(times, ambiguous="NaT", nonexistent="NaT")
    twofold = len(utc.dropna()) - len(either.dropna())
    notes = [f"{file}: {lost} hours do not exist on the clock of {times} and were left out."] if lost else []
    if twofold:
        notes.append(
            f"{file}: {twofold} times are of an hour that comes twice on the clock of {times}; the first at a station "
            "was taken as summer time."
        )
    return utc.to_numpy().astype("datetime64[ns]") + shift, notes


def _repeated(frame: pd.DataFrame, time: np.ndarray, file: str) -> list[str]:
    """Return a note of the times that a station has with several values."""
    timed = frame[["station", "value"]].assign(time=time.astype("datetime64[ns]"))
    timed = timed[timed.duplicated(["station", "time"], keep=False)]
    values = timed.groupby(["station", "time"])["value"].nunique()
    several = values.index[values > 1]
    if several.empty:
        return []
    examples = some([f"{station} {str(at)[:16]}" for station, at in several], 8)
    return [
        f"{file}: times with several values: {len(several)} ({examples}); the extremes are those of all values."
    ]


def check_offsets(
    ids: np.ndarray, longitude: np.ndarray, utc_offset: float | Mapping[str, float], file: str
) -> None:
    """Raise where an offset from UTC cannot be that of the longitude of its station."""
    hours = standard_offsets(ids, utc_offset, file).astype(float) / 3600
    sun = longitude / 15
    apart = np.abs((hours - sun + 12) % 24 - 12)
    problems = [
        Problem(
            f"utc_offset = {hours[k]:g} h is not that of station '{ids[k]}': at its longitude {longitude[k]:.4g} the "
            f"sun is {sun[k]:.1f} h from that of Greenwich.",
            "Write local standard time minus UTC, which is negative west of Greenwich, or correct the longitude.",
            file,
        )
        for k in np.flatnonzero(apart > FARTHEST_FROM_SUN)
    ]
    if problems:
        raise DataError(problems)


def daily_extremes(
    station: np.ndarray,
    time: np.ndarray,
    temperature: np.ndarray,
    *,
    day_starts: float = 0.0,
    minimum_hours: int = 20,
    file: str = "",
) -> DayRows:
    """Take the lowest and highest temperature of each day."""
    if not 1 <= minimum_hours <= 24 or not 0 <= day_starts < 24:
        raise ModelError("minimum_hours must be 1 to 24, and day_starts from 0 to below 24.")
    stamps = time.astype("datetime64[ns]") - np.timedelta64(round(day_starts * 3600), "s")
    good = ~np.isnat(stamps)
    frame = pd.DataFrame(
        {"station": station[good], "day": stamps[good].astype("datetime64[D]").astype("datetime64[ns]")}
    )
    frame["hour"] = stamps[good].astype("datetime64[h]").astype(np.int64)
    frame["value"] = temperature[good]
    frame["hour"] = frame["hour"].where(frame["value"].notna())
    days = frame.groupby(["station", "day"], sort=False).agg(
        low=("value", "min"), high=("value", "max"), hours=("hour", "nunique")
    )
    days = days.reset_index()
    few = days["hours"].to_numpy() < minimum_hours
    size = len(days)
    notes = [
        f"{file}: days begin at {day_starts:g} h local standard time.",
        *_repeated(frame, time[good], file),
    ]
    if few.any():
        listed = days.loc[few, ["station", "day", "hours"]].itertuples(index=False)
        examples = some([f"{s} {str(d)[:10]} ({h} h)" for s, d, h in listed], 8)
        notes.append(
            f"{file}: {int(few.sum())} days have fewer than {minimum_hours} hours and are missing: {examples}."
        )
    return DayRows(
        days["station"].to_numpy(dtype=object),
        days["day"].to_numpy().astype("datetime64[D]"),
        np.where(few, np.nan, days["low"]),
        np.where(few, np.nan, days["high"]),
        np.full(size, file, dtype=object),
        np.zeros(size, dtype=np.int64),
        np.where(few, FLAGS["too_few_hours"], 0).astype(np.int16),
        np.full(size, SOURCES["observed"], dtype=np.int8),
        notes,
    )
