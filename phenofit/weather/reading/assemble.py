"""From day rows of any file to the standard dataset: calendar, duplicates, impossible values."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.errors import DataError, ModelError, Problem
from phenofit.files.cells import some
from phenofit.weather.schema import FLAGS, RECORD_HIGH, RECORD_LOW, Provenance, new_dataset

DUPLICATES = ("missing", "first", "last")
"""What is done with a date that a station has more than once with different values."""

HOTTEST_MONTH = 50.0
"""No place has a month whose median daily maximum is above this [degC] (common practice, no source)."""
COLDEST_SUMMER = 12.0
"""Least median daily maximum of the warmest month at sea level outside the polar circles [degC].

Below a mean of 10 degC in the warmest month lie the polar climates without trees (Koppen's class E; American
Meteorological Society, Glossary of Meteorology, "tree climate"). The daily maxima are some
degrees above the mean (no source).
"""
NARROW_DAY, NARROW_YEAR = 3.0, 8.0
"""Fahrenheit read as tenths leaves days and years narrower than this: 20 degF to 2 degC [degC] (no source)."""
LAPSE = 0.0065
"""By how much the limit falls with height [degC/m] (standard atmosphere, ICAO Doc 7488)."""
POLAR_CIRCLE = 66.5
"""Poleward of it the limit is 0 [degrees] (no source)."""
_MANY = 10  # examples that one sentence lists


@dataclass
class DayRows:
    """Day rows as read from one or more files, in degrees Celsius; one entry per file row."""

    station: np.ndarray  # Station ids.
    date: np.ndarray  # Days.
    tmin: np.ndarray  # Temperatures [degC], NaN where missing.
    tmax: np.ndarray
    file: np.ndarray  # File of each row.
    row: np.ndarray  # Line of the file, or 0 where the format has none.
    flag: np.ndarray  # Bits and codes set by the reader.
    source: np.ndarray
    notes: list[str] = field(default_factory=list)  # Remarks of the reader.
    found: list[pd.DataFrame] = field(default_factory=list)  # Values that the reader set aside.

    @classmethod
    def joined(cls, parts: Sequence[DayRows]) -> DayRows:
        """Return the rows of all parts, in order."""
        names = ("station", "date", "tmin", "tmax", "file", "row", "flag", "source")
        arrays = {n: np.concatenate([getattr(p, n) for p in parts]) for n in names}
        return cls(
            **arrays, notes=[n for p in parts for n in p.notes], found=[f for p in parts for f in p.found]
        )


def assemble(
    rows: DayRows,
    stations: pd.DataFrame | None,
    *,
    duplicates: str = "missing",
    files: dict[str, str] | None = None,
    origin: str = "",
    plausibility: bool = True,
) -> xr.Dataset:
    """Bring day rows onto a complete calendar."""
    if duplicates not in DUPLICATES:
        raise ModelError(f"duplicates = '{duplicates}' is not known; accepted are {', '.join(DUPLICATES)}.")
    file_text = ", ".join(dict.fromkeys(rows.file.tolist())) or ", ".join(files or {})
    if not len(rows.station):
        raise DataError(Problem("there is no day in it.", "Give a file with at least one day.", file_text))
    table = _stations_of(rows, stations, file_text)
    ids = table["station"].to_numpy()
    at = pd.Index(ids).get_indexer(pd.Index(rows.station))
    days = rows.date.astype("datetime64[D]")
    calendar = np.arange(days.min(), days.max() + np.timedelta64(1, "D"))
    day = (days - calendar[0]).astype(np.int64)
    shape = (len(ids), len(calendar))
    tmin, tmax = np.full(shape, np.nan), np.full(shape, np.nan)
    flag = np.zeros(shape, dtype=np.int16)
    source = np.zeros(shape, dtype=np.int8)
    remarks, found = list(rows.notes), list(rows.found)
    key = at * shape[1] + day
    keep, doubled = _resolve(rows, key, duplicates, remarks, found)
    tmin.flat[key[keep]], tmax.flat[key[keep]] = rows.tmin[keep], rows.tmax[keep]
    source.flat[key[keep]] = rows.source[keep]
    np.bitwise_or.at(flag.reshape(-1), key, rows.flag.astype(np.int16))
    flag.flat[doubled] |= FLAGS["duplicate_date"]
    if plausibility:
        problems = wrong_unit_problems(table, calendar, tmin, tmax, file_text)
        if problems:
            raise DataError(problems)
    for name, bad in impossible(tmin, tmax).items():
        if bad.any():
            found.append(_records(rows, key, ids, calendar, tmin, tmax, bad, name))
            remarks.append(_count_note(ids, calendar, bad, name))
            flag[bad] |= FLAGS[name]
            tmin[bad], tmax[bad] = np.nan, np.nan
    absent = _absent_note(ids, calendar, key, shape)
    return new_dataset(
        table,
        calendar,
        tmin,
        tmax,
        source=source,
        flag=flag,
        provenance=Provenance(origin=origin, files=files or {}, remarks=[*remarks, *absent]),
        found=pd.concat(found, ignore_index=True) if found else None,
    )


def _stations_of(rows: DayRows, stations: pd.DataFrame | None, file: str) -> pd.DataFrame:
    ids = pd.unique(pd.Series(rows.station, dtype=object))
    if stations is None:
        return pd.DataFrame({"station": ids})
    unknown = [s for s in ids if s not in set(stations["station"])]
    if unknown:
        raise DataError(
            Problem(
                f"station '{s}' is not in the station table.",
                f"The table has {some(stations['station'].tolist(), _MANY)}. Add it there or correct its id.",
                file,
            )
            for s in unknown
        )
    chosen: pd.DataFrame = stations[stations["station"].isin(ids)].reset_index(drop=True)
    return chosen


def _resolve(
    rows: DayRows, key: np.ndarray, rule: str, remarks: list[str], found: list[pd.DataFrame]
) -> tuple[np.ndarray, np.ndarray]:
    """Return the rows to use and the (flat) days with conflicting rows; rows that agree or complete each other join."""
    order = np.argsort(key, kind="stable")
    first = np.ones(len(key), dtype=bool)
    first[1:] = key[order][1:] != key[order][:-1]
    if first.all():
        return order, np.zeros(0, dtype=np.int64)
    groups = np.split(order, np.flatnonzero(first)[1:])
    keep: list[int] = []
    conflicts: list[np.ndarray] = []
    agreeing = 0
    for group in groups:
        if len(group) == 1:
            keep.append(int(group[0]))
            continue
        low, high = rows.tmin[group], rows.tmax[group]
        if _agree(low) and _agree(high):
            rows.tmin[group], rows.tmax[group] = _only(low), _only(high)
            keep.append(int(group[0]))
            agreeing += 1
        else:
            conflicts.append(group)
            if rule != "missing":
                keep.append(int(group[0 if rule == "first" else -1]))
    if agreeing:
        remarks.append(f"{agreeing} days are duplicates with the same values; one of each was used.")
    if conflicts:
        listed = [
            f"{rows.station[g[0]]} {rows.date[g[0]].astype('datetime64[D]')}"
            f" (rows {', '.join(str(r) for r in rows.row[g])})"
            for g in conflicts
        ]
        used = {"missing": "none", "first": "the first", "last": "the last"}[rule]
        remarks.append(
            f"{len(conflicts)} days are duplicates with different values, {used} was used: "
            f"{some(listed, _MANY, '; ')}."
        )
        flat = np.concatenate(conflicts)
        found.append(
            pd.DataFrame(
                {
                    "station": rows.station[flat],
                    "date": rows.date[flat],
                    "flag": "duplicate_date",
                    "tmin": rows.tmin[flat],
                    "tmax": rows.tmax[flat],
                    "where": [f"{f}, row {r}" for f, r in zip(rows.file[flat], rows.row[flat], strict=True)],
                }
            )
        )
    doubled = np.array([key[g[0]] for g in conflicts], dtype=np.int64)
    return np.array(keep, dtype=np.int64), doubled


def _agree(values: np.ndarray) -> bool:
    given = values[~np.isnan(values)]
    return len(given) < 2 or bool((given == given[0]).all())


def _only(values: np.ndarray) -> float:
    given = values[~np.isnan(values)]
    return float(given[0]) if len(given) else np.nan


def impossible(tmin: np.ndarray, tmax: np.ndarray) -> dict[str, np.ndarray]:
    """Return, by flag name, the days that cannot be: beyond any record, or the minimum above the maximum."""
    with np.errstate(invalid="ignore"):
        beyond = (tmin < RECORD_LOW) | (tmin > RECORD_HIGH) | (tmax < RECORD_LOW) | (tmax > RECORD_HIGH)
        return {"out_of_range": beyond, "minimum_above_maximum": (tmin > tmax) & ~beyond}


def _records(
    rows: DayRows,
    key: np.ndarray,
    ids: np.ndarray,
    calendar: np.ndarray,
    tmin: np.ndarray,
    tmax: np.ndarray,
    bad: np.ndarray,
    name: str,
) -> pd.DataFrame:
    """Return the findings of one kind, with the file and row of each."""
    index = dict(zip(key.tolist(), range(len(key)), strict=True))
    at, day = np.nonzero(bad)
    rows_of = [index[int(k)] for k in at * bad.shape[1] + day]
    return pd.DataFrame(
        {
            "station": ids[at],
            "date": calendar[day],
            "flag": name,
            "tmin": tmin[bad],
            "tmax": tmax[bad],
            "where": [f"{rows.file[i]}, row {rows.row[i]}" if rows.row[i] else rows.file[i] for i in rows_of],
        }
    )


def _count_note(ids: np.ndarray, calendar: np.ndarray, bad: np.ndarray, name: str) -> str:
    at, day = np.nonzero(bad)
    days = [f"{ids[a]} {calendar[d]}" for a, d in zip(at, day, strict=True)]
    what = {
        "out_of_range": f"beyond {RECORD_LOW:g} to {RECORD_HIGH:g} °C",
        "minimum_above_maximum": "with the minimum above the maximum",
    }[name]
    return f"Days {what}, set to missing: {len(at)} ({some(days, _MANY)})."


def _absent_note(ids: np.ndarray, calendar: np.ndarray, key: np.ndarray, shape: tuple[int, int]) -> list[str]:
    """Return one sentence per station with calendar days that no row names, within its own first and last."""
    present = np.zeros(shape[0] * shape[1], dtype=bool)
    present[key] = True
    sentences = []
    for name, there in zip(ids, present.reshape(shape), strict=True):
        days = np.flatnonzero(there)
        inside = np.arange(days[0], days[-1] + 1)
        gaps = inside[~there[inside]]
        if len(gaps):
            sentences.append(
                f"Station '{name}': calendar days without a row between its first and last, missing: {len(gaps)} "
                f"({some([str(calendar[d]) for d in gaps], _MANY)})."
            )
    return sentences


def wrong_unit_problems(
    stations: pd.DataFrame, calendar: np.ndarray, tmin: np.ndarray, tmax: np.ndarray, file: str
) -> list[Problem]:
    """Return a problem for each station whose temperatures can only be in another unit than declared."""
    month = calendar.astype("datetime64[M]").astype(np.int64) % 12
    problems = []
    for station, low, high in zip(stations.to_dict("records"), tmin, tmax, strict=True):
        medians = {
            m: float(np.median(v)) for m in range(12) if len(v := high[(month == m) & ~np.isnan(high)]) >= 5
        }
        everything = np.concatenate([low[~np.isnan(low)], high[~np.isnan(high)]])
        if len(everything) < 5 or not medians:
            continue
        warmest = max(medians.values())
        latitude = float(station.get("latitude", np.nan))
        limit = _coldest_summer(latitude, float(station.get("elevation_m", np.nan)))
        if warmest > HOTTEST_MONTH:
            seen = f"the median daily maximum of its warmest month is {warmest:.0f} °C"
            cause = "kelvin or Fahrenheit declared as Celsius look like this, and archives often store tenths of a degree"
        elif (
            float(np.median(everything)) < RECORD_LOW
            or (_has_summer(medians, latitude) and warmest < limit)
            or (warmest < COLDEST_SUMMER and _narrow(low, high, medians))
        ):
            seen = f"its warmest month has a median daily maximum of only {warmest:.1f} °C"
            cause = "Celsius declared as Fahrenheit or kelvin, or Fahrenheit read as tenths of a degree, look like this"
        else:
            continue
        finding = f"station '{station['station']}': {seen}, in the declared unit."
        problems.append(Problem(finding, f"Declare the right unit (degC, degF or kelvin): {cause}.", file))
    return problems


def _coldest_summer(latitude: float, elevation: float) -> float:
    """Return the least median daily maximum of the warmest month that a place may have [degC]."""
    sea_level = 0.0 if abs(latitude) > POLAR_CIRCLE else COLDEST_SUMMER
    return sea_level - LAPSE * (max(elevation, 0.0) if np.isfinite(elevation) else 0.0)


def _narrow(low: np.ndarray, high: np.ndarray, medians: Mapping[int, float]) -> bool:
    """Return whether days and seasons differ as little as in degrees Fahrenheit read as tenths."""
    year = max(medians.values()) - min(medians.values())
    both = np.isfinite(low) & np.isfinite(high)
    days = (high - low)[both]
    return (
        len(medians) == 12 and year < NARROW_YEAR and bool(days.size) and float(np.median(days)) < NARROW_DAY
    )


def _has_summer(medians: Mapping[int, float], latitude: float) -> bool:
    """Return whether the months of a station hold its summer."""
    summer = {5, 6, 7} if latitude > 0 else {11, 0, 1}
    return len(medians) == 12 or (np.isfinite(latitude) and summer <= set(medians))
