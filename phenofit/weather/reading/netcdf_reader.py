"""CF NetCDF files of daily station temperatures, our own and those of others."""

from __future__ import annotations

import os
import warnings
from collections.abc import Hashable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.errors import DataError, Problem, UnitError
from phenofit.files import require_regular
from phenofit.units import temperature_unit, to_celsius
from phenofit.weather.reading.assemble import DayRows
from phenofit.weather.reading.hourly_table import daily_extremes, standard_offsets
from phenofit.weather.schema import SOURCES

_ALIASES = {
    "latitude": ("latitude", "lat"),
    "longitude": ("longitude", "lon"),
    "elevation": ("elevation", "altitude", "alt", "surface_altitude", "height"),
    "station_name": ("station_name", "name"),
}
_REAL_CALENDARS = ("standard", "gregorian", "proleptic_gregorian")
_NO_LEAP = ("noleap", "365_day")
_WHAT = {
    "tmin": "daily minimum temperature",
    "tmax": "daily maximum temperature",
    "temperature": "hourly temperature",
}


def read_daily_netcdf(
    path: str | os.PathLike[str], *, columns: Mapping[str, str] | None = None, station: str | None = None
) -> tuple[DayRows, pd.DataFrame]:
    """Read one NetCDF file of daily minima and maxima."""
    file = os.fspath(path)
    with _opened(path, file) as raw:
        names = dict(columns or {})
        time = names.get("time", "time")
        if time not in raw:
            raise DataError(Problem("there is no time coordinate.", _seen(raw), file, column=time))
        low, high = (_temperature(raw, which, names, file) for which in ("tmin", "tmax"))
        days, notes = _days(raw[time], file)
        stations, dim = _stations(raw, low, str(raw[time].dims[0]), names, station, file)
        order = [dim, raw[time].dims[0]] if dim else [raw[time].dims[0]]
        shape = (len(stations), len(days))
        values = [
            to_celsius(v.transpose(*order).values.astype(np.float64).reshape(shape), str(v.attrs["units"]))
            for v in (low, high)
        ]
        source = _codes(raw, "source", order, shape, SOURCES["observed"])
        flag = _codes(raw, "flag", order, shape, 0)
        notes += [n for n in str(raw.attrs.get("notes", "")).split("\n") if n]
    kept = ~pd.isna(days)
    days, values = days[kept], [v[:, kept] for v in values]
    size = shape[0] * len(days)
    rows = DayRows(
        np.repeat(stations["station"].to_numpy(dtype=object), len(days)),
        np.tile(days, shape[0]),
        values[0].reshape(-1),
        values[1].reshape(-1),
        np.full(size, Path(file).name, dtype=object),
        np.zeros(size, dtype=np.int64),
        flag[:, kept].reshape(-1).astype(np.int16),
        source[:, kept].reshape(-1).astype(np.int8),
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
        values = np.asarray(found.transpose(*order).values, dtype=np.float64).reshape(
            len(stations), len(stamps)
        )
        celsius = np.asarray(to_celsius(values, str(found.attrs["units"])))
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
    rows.notes[:0] = notes
    return rows, stations


def _opened(path: str | os.PathLike[str], file: str) -> xr.Dataset:
    require_regular(path, limit=None, remedy="Check the name and the folder.")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of foreign attributes that concern no temperature
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


def _calendar(time: xr.DataArray, file: str) -> tuple[str, str]:
    """Return units and calendar of a time, refused where no real dates come of them."""
    _numeric(time, file)
    units, calendar = str(time.attrs.get("units", "")), str(time.attrs.get("calendar", "standard")).lower()
    if not units:
        raise DataError(
            Problem(
                "the time has no units.", 'Write for example "days since 1990-01-01".', file, column="time"
            )
        )
    if units.split()[0].lower() in ("month", "months", "year", "years", "common_year"):
        finding = f"'{units}' is not a length of time: months and years differ in length."
        raise DataError(Problem(finding, 'Write the time as "days since" a date.', file, column="time"))
    if calendar not in (*_REAL_CALENDARS, *_NO_LEAP):
        finding = f"the calendar '{calendar}' has days without a real date."
        remedy = f"Accepted are {', '.join((*_REAL_CALENDARS, *_NO_LEAP))}."
        raise DataError(Problem(finding, remedy, file, column="time"))
    return units, calendar


def _days(time: xr.DataArray, file: str) -> tuple[np.ndarray, list[str]]:
    units, calendar = _calendar(time, file)
    notes: list[str] = []
    if calendar in _NO_LEAP:
        days = _no_leap_days(time.values, units, file)
        notes.append(
            f"{Path(file).name}: the calendar '{calendar}' was put on real dates by month and day; it has no "
            "29 February."
        )
    else:
        days = _decoded(time, file).astype("datetime64[D]")
    if not len(days):
        raise DataError(Problem("there is no day in it.", "Give a file with at least one day.", file))
    return days, notes


def _stamps(time: xr.DataArray, file: str) -> tuple[np.ndarray, list[str]]:
    """Return hourly stamps; the file's time must be of the real calendar, and is read as UTC."""
    _, calendar = _calendar(time, file)
    if calendar in _NO_LEAP:
        finding = f"hours of the calendar '{calendar}' cannot be put on real days."
        raise DataError(Problem(finding, f"Accepted are {', '.join(_REAL_CALENDARS)}.", file, column="time"))
    return _decoded(time, file), [f"{Path(file).name}: hours are in UTC."]


def _decoded(time: xr.DataArray, file: str) -> np.ndarray:
    try:
        decoded = xr.decode_cf(xr.Dataset(coords={"time": time.rename("time")}))["time"]
        if decoded.dtype.kind != "M":
            raise ValueError("it lies beyond the years 1678 to 2262")
    except (ValueError, OverflowError) as fault:
        raise DataError(
            Problem(f"the time cannot be decoded ({fault}).", "Write days since a date.", file, column="time")
        ) from None
    stamps: np.ndarray = decoded.values.astype("datetime64[ns]")
    return stamps


def _no_leap_days(values: np.ndarray, units: str, file: str) -> np.ndarray:
    """Return real dates of a 365-day calendar: the n-th day of its year keeps its month and day."""
    words = units.split()
    per_day = {"days": 1.0, "day": 1.0, "hours": 24.0, "hour": 24.0}.get(words[0].lower())
    if per_day is None or len(words) < 3 or words[1] != "since":
        raise DataError(
            Problem(f"'{units}' is not understood.", 'Write "days since" a date.', file, column="time")
        )
    epoch = pd.Timestamp(" ".join(words[2:]))
    common = np.datetime64("2001-01-01")  # any year of 365 days gives month and day of a day number
    first = (np.datetime64(f"2001-{epoch.month:02d}-{epoch.day:02d}") - common).astype(int)
    count = np.floor(values.astype(np.float64) / per_day + epoch.hour / 24.0).astype(np.int64) + first
    month_day = np.datetime_as_string(common + count % 365)
    return np.array(
        [f"{epoch.year + n // 365:04d}{text[4:]}" for n, text in zip(count, month_day, strict=True)],
        dtype="datetime64[D]",
    )


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
