"""CF NetCDF files of daily station temperatures, our own and those of others."""

from __future__ import annotations

import os
import re
import warnings
from collections.abc import Collection, Hashable, Mapping
from pathlib import Path
from typing import Any

import cftime
import numpy as np
import pandas as pd
import xarray as xr

from phenofit.errors import DataError, Problem, UnitError, plural
from phenofit.files import require_regular
from phenofit.units import temperature_unit
from phenofit.weather.reading.assemble import DayRows
from phenofit.weather.reading.hourly_table import daily_extremes, standard_offsets
from phenofit.weather.reading.missing_codes import celsius_without_codes
from phenofit.weather.schema import SOURCES

_ALIASES = {
    "latitude": ("latitude", "lat"),
    "longitude": ("longitude", "lon"),
    "elevation": ("elevation", "altitude", "alt", "surface_altitude", "height"),
    "station_name": ("station_name", "name"),
}
_REAL_CALENDARS = ("standard", "gregorian", "proleptic_gregorian")
_NO_LEAP = ("noleap", "365_day")
_OFFSET = re.compile(r"[T\s]\d+:.*[+-]\s*([\d:]+)\s*$")
"""Offset from UTC behind the time of day of a reference date."""
_WHAT = {
    "tmin": "daily minimum temperature",
    "tmax": "daily maximum temperature",
    "temperature": "hourly temperature",
}


def read_daily_netcdf(
    path: str | os.PathLike[str],
    *,
    columns: Mapping[str, str] | None = None,
    missing_codes: Collection[float] | None = None,
    station: str | None = None,
) -> tuple[DayRows, pd.DataFrame]:
    """Read one NetCDF file of daily minima and maxima."""
    file = os.fspath(path)
    with _opened(path, file) as raw:
        names = dict(columns or {})
        time = names.get("time", "time")
        if time not in raw:
            raise DataError(Problem("there is no time coordinate.", _seen(raw), file, column=time))
        low, high = (_temperature(raw, which, names, file) for which in ("tmin", "tmax"))
        days, notes = _days(raw, raw[time], file)
        stations, dim = _stations(raw, low, str(raw[time].dims[0]), names, station, file)
        order = [dim, raw[time].dims[0]] if dim else [raw[time].dims[0]]
        shape = (len(stations), len(days))
        values = []
        for variable in (low, high):
            celsius, coded = _celsius(variable, order, shape, missing_codes, file)
            values.append(celsius)
            notes += coded
        source = _codes(raw, "source", order, shape, SOURCES["observed"])
        flag = _codes(raw, "flag", order, shape, 0)
        notes += [n for n in str(raw.attrs.get("notes", "")).split("\n") if n]
    size = shape[0] * len(days)
    rows = DayRows(
        np.repeat(stations["station"].to_numpy(dtype=object), len(days)),
        np.tile(days, shape[0]),
        values[0].reshape(-1),
        values[1].reshape(-1),
        np.full(size, Path(file).name, dtype=object),
        np.zeros(size, dtype=np.int64),
        flag.reshape(-1).astype(np.int16),
        source.reshape(-1).astype(np.int8),
        notes,
    )
    return rows, stations


def read_hourly_netcdf(
    path: str | os.PathLike[str],
    *,
    utc_offset: float | Mapping[str, float],
    columns: Mapping[str, str] | None = None,
    day_starts: float = 0.0,
    minimum_hours: int = 20,
    missing_codes: Collection[float] | None = None,
    station: str | None = None,
) -> tuple[DayRows, pd.DataFrame]:
    """Read one NetCDF file of hourly temperatures, whose time is in UTC, and take the extremes of each day."""
    file = os.fspath(path)
    names = dict(columns or {})
    with _opened(path, file) as raw:
        time = names.get("time", "time")
        if time not in raw:
            raise DataError(Problem("there is no time coordinate.", _seen(raw), file, column=time))
        found = _temperature(raw, "temperature", names, file)
        stamps, notes = _stamps(raw[time], file)
        stations, dim = _stations(raw, found, str(raw[time].dims[0]), names, station, file)
        order = [dim, raw[time].dims[0]] if dim else [raw[time].dims[0]]
        shape = (len(stations), len(stamps))
        celsius, coded = _celsius(found, order, shape, missing_codes, file)
    ids = stations["station"].astype(str)
    shift = standard_offsets(ids.to_numpy(dtype=object), utc_offset, file)
    rows = daily_extremes(
        np.repeat(ids.to_numpy(dtype=object), len(stamps)),
        (stamps[None, :] + shift[:, None]).reshape(-1),
        celsius.reshape(-1),
        day_starts=day_starts,
        minimum_hours=minimum_hours,
        file=Path(file).name,
    )
    rows.notes[:0] = [*notes, *coded]
    return rows, stations


def _opened(path: str | os.PathLike[str], file: str) -> xr.Dataset:
    require_regular(path, limit=None, remedy="Check the name and the folder.")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # warnings about attributes that do not concern temperatures
            return xr.open_dataset(path, decode_times=False, engine="netcdf4")
    except (OSError, ValueError) as fault:
        raise DataError(
            Problem(f"this is no readable NetCDF file ({fault}).", "Write it anew.", file)
        ) from None


def _seen(raw: xr.Dataset) -> str:
    return f"The variables seen are: {', '.join(map(str, raw.variables))}."


def _temperature(raw: xr.Dataset, which: str, names: Mapping[str, str], file: str) -> xr.DataArray:
    method = {"tmin": "time: minimum", "tmax": "time: maximum"}.get(which, "")
    name: Hashable | None = names.get(which, which)
    if name not in raw and which not in names:
        fits = [
            v
            for v in raw.data_vars
            if raw[v].attrs.get("standard_name") == "air_temperature"
            and method in " ".join(str(raw[v].attrs.get("cell_methods", "")).split())
        ]
        name = fits[0] if len(fits) == 1 else None
    if name is None or name not in raw:
        finding = f"there is no {_WHAT[which]}."
        remedy = f'{_seen(raw)} Name it in the column settings ({which} = "...").'
        raise DataError(Problem(finding, remedy, file, column=str(names.get(which, which))))
    found = _numeric(raw[name], file)
    units = found.attrs.get("units")
    if not units:
        raise UnitError(
            f"{file}, '{name}': the variable has no units attribute; weather without units is refused. "
            'Write one of "degC", "degF" or "K" into it.'
        )
    try:
        temperature_unit(str(units))
    except UnitError as fault:
        raise UnitError(f"{file}, '{name}': {fault}") from None
    return found


def _numeric(variable: xr.DataArray, file: str) -> xr.DataArray:
    """Return a variable, refused where it holds anything but numbers."""
    if variable.dtype.kind in "fiu":
        return variable
    finding = (
        f"the variable holds {'text' if variable.dtype.kind in 'OSU' else str(variable.dtype)}, not numbers."
    )
    remedy = "Write it as numbers with an attribute 'units'."
    raise DataError(Problem(finding, remedy, file, column=str(variable.name)))


def _celsius(
    variable: xr.DataArray,
    order: list[Any],
    shape: tuple[int, int],
    missing_codes: Collection[float] | None,
    file: str,
) -> tuple[np.ndarray, list[str]]:
    """Return a variable as stations by times [degC], NaN at each missing code, and a note of the codes."""
    numbers = np.asarray(variable.transpose(*order).values).reshape(shape)
    where = f"{Path(file).name}, '{variable.name}'"
    return celsius_without_codes(numbers, str(variable.attrs["units"]), where, missing_codes)


def _calendar(time: xr.DataArray, file: str) -> tuple[str, str]:
    """Return units and calendar of a time, refused where they do not give real dates."""
    _numeric(time, file)
    units, calendar = str(time.attrs.get("units", "")), str(time.attrs.get("calendar", "standard")).lower()
    if not units:
        raise _time_problem("the time has no units.", 'Write for example "days since 1990-01-01".', file)
    if units.split()[0].lower() in ("month", "months", "year", "years", "common_year"):
        finding = f"'{units}' is not a length of time: months and years differ in length."
        raise _time_problem(finding, 'Write the time as "days since" a date.', file)
    if calendar not in (*_REAL_CALENDARS, *_NO_LEAP):
        finding = f"the calendar '{calendar}' has days without a real date."
        raise _time_problem(finding, f"Accepted are {', '.join((*_REAL_CALENDARS, *_NO_LEAP))}.", file)
    missing = np.flatnonzero(np.isnan(time.values.astype(np.float64)))
    if missing.size:
        finding = f"{missing.size} of {time.size} times are missing, the first at position {missing[0] + 1}."
        raise _time_problem(finding, "Write every time, or leave its values out.", file)
    return units, calendar


def _time_problem(finding: str, remedy: str, file: str) -> DataError:
    return DataError(Problem(finding, remedy, file, column="time"))


def _days(raw: xr.Dataset, time: xr.DataArray, file: str) -> tuple[np.ndarray, list[str]]:
    """Return the date of each daily value; where the time has bounds, that of their middle."""
    units, calendar = _calendar(time, file)
    if (offset := _OFFSET.search(units)) and offset.group(1).strip("0: "):
        finding = f"'{units}' has an offset from UTC, so that a daily value may have two dates."
        raise _time_problem(finding, "Write the dates of the days without an offset.", file)
    name, notes = Path(file).name, []
    days = _decoded(time, file)
    bounds = raw.get(str(time.attrs.get("bounds", "")))
    if bounds is not None and bounds.shape == (time.size, 2):
        inside = _decoded(time.copy(data=bounds.values.astype(np.float64).mean(axis=1)), file)
        moved = int((inside != days).sum())
        if moved:
            notes.append(
                f"{name}: {plural(moved, 'value')} dated by the middle of '{bounds.name}', not by 'time'."
            )
        days = inside
    if calendar in _NO_LEAP:
        notes.append(
            f"{name}: the calendar '{calendar}' was put on real dates by month and day; it has no 29 February."
        )
    if not len(days):
        raise DataError(Problem("there is no day in it.", "Give a file with at least one day.", file))
    return days, notes


def _stamps(time: xr.DataArray, file: str) -> tuple[np.ndarray, list[str]]:
    """Return hourly stamps; the file's time must be of the real calendar, and is read as UTC."""
    _, calendar = _calendar(time, file)
    if calendar in _NO_LEAP:
        finding = f"hours of the calendar '{calendar}' cannot be put on real days."
        raise _time_problem(finding, f"Accepted are {', '.join(_REAL_CALENDARS)}.", file)
    return _decoded(time, file, "ns"), [f"{Path(file).name}: hours are in UTC."]


def _decoded(time: xr.DataArray, file: str, precision: str = "D") -> np.ndarray:
    """Return real dates; a day of a calendar without leap days keeps its month and day."""
    units, calendar = _calendar(time, file)
    values = time.values.reshape(-1)
    try:
        if calendar in _NO_LEAP:
            named = cftime.num2date(values, units, calendar, only_use_cftime_datetimes=True)
            found = np.array(
                [f"{d.year:04d}-{d.month:02d}-{d.day:02d}" for d in named], dtype="datetime64[D]"
            )
        else:
            coded = xr.Dataset(coords={"time": ("time", values, {"units": units, "calendar": calendar})})
            with warnings.catch_warnings():
                warnings.simplefilter(
                    "ignore", xr.SerializationWarning
                )  # warnings about years without leading zeros
                found = xr.decode_cf(coded)["time"].values
        if found.dtype.kind != "M" or (np.abs(found.astype("datetime64[Y]").astype(int)) > 290).any():
            raise ValueError("it lies beyond the years 1680 to 2260")
    except (ValueError, OverflowError) as fault:
        raise _time_problem(
            f"the time cannot be decoded ({fault}).", "Write days since a date.", file
        ) from None
    return np.asarray(found.astype(f"datetime64[{precision}]"))


def _stations(
    raw: xr.Dataset, low: xr.DataArray, time: str, names: Mapping[str, str], station: str | None, file: str
) -> tuple[pd.DataFrame, str]:
    others = [str(d) for d in low.dims if d != time]
    if len(others) > 1 or time not in low.dims:
        finding = f"the temperatures have the dimensions {', '.join(map(str, low.dims))}."
        remedy = "Accepted are (station, time) or (time)."
        raise DataError(Problem(finding, remedy, file, column=str(low.name)))
    dim = others[0] if others else ""
    ids = next((raw[v] for v in raw.variables if raw[v].attrs.get("cf_role") == "timeseries_id"), None)
    if "station" in names and names["station"] in raw:
        ids = raw[names["station"]]
    elif ids is None and (dim or "station") in raw:
        ids = raw[dim or "station"]
    count = raw.sizes[dim] if dim else 1
    if ids is None and station is None and count > 1:
        raise DataError(
            Problem("the stations have no ids.", 'Mark a variable with cf_role = "timeseries_id".', file)
        )
    labels = [station or Path(file).stem] if ids is None else [_text(v) for v in np.atleast_1d(ids.values)]
    frame = pd.DataFrame({"station": pd.Series(labels, dtype=object)})
    for ours, aliases in _ALIASES.items():
        wanted = {"elevation": "surface_altitude"}.get(ours, ours)
        found = next(
            (raw[v] for v in raw.variables if v in aliases or raw[v].attrs.get("standard_name") == wanted),
            None,
        )
        if found is not None and found.size == count:
            column = {"elevation": "elevation_m", "station_name": "name"}.get(ours, ours)
            frame[column] = (
                [_text(v) for v in np.atleast_1d(found.values)]
                if ours == "station_name"
                else np.atleast_1d(_numeric(found, file).values).astype(np.float64)
            )
    return frame, dim


def _text(value: Any) -> str:
    return value.decode("utf-8", "replace").strip() if isinstance(value, bytes) else str(value).strip()


def _codes(raw: xr.Dataset, name: str, order: list[Any], shape: tuple[int, int], default: int) -> np.ndarray:
    """Return our own per-day codes; another file's variable of that name is not ours and is not used."""
    ours = name in raw and set(raw[name].dims) == set(order) and raw[name].dtype.kind in "iu"
    if ours and "flag_meanings" in raw[name].attrs:
        return np.asarray(raw[name].transpose(*order).values).reshape(shape)
    return np.full(shape, default)
