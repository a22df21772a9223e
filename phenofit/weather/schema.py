"""The one form of daily station weather: a CF dataset with a source and a flag for each day.

Everything that reads, fetches, checks or fills weather ends in :func:`new_dataset`, so that every later room
can rely on a complete calendar, degrees Celsius and per-day provenance.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import xarray as xr

SOURCES = {"missing": 0, "observed": 1, "modelled": 2, "filled": 3, "forecast": 4}
"""Where a day's temperatures come from; a day with one of the two absent is missing."""

FLAGS = {
    "incomplete_day": 1,  # one of minimum and maximum absent
    "minimum_above_maximum": 2,
    "out_of_range": 4,  # beyond the coldest and hottest ever measured
    "duplicate_date": 8,
    "failed_quality_check": 16,  # a quality mark set by the archive
    "too_few_hours": 32,
    "repeated_value": 64,
    "spike": 128,
    "scale_change": 256,
    "unlike_neighbours": 512,
    "unit_suspect": 1024,
    "lagged_observation": 2048,  # archive: the value belongs to another day
    "interpolated": 4096,
    "filled_from_neighbours": 8192,
    "height_corrected": 16384,
}
"""Bits of the flag of a day."""

RECORD_LOW, RECORD_HIGH = -90.0, 60.0
"""Air temperatures beyond these were never measured near the ground [degC] (common practice, rounded outwards)."""

FINDING_COLUMNS = ("station", "date", "flag", "tmin", "tmax", "where")


@dataclass(frozen=True)
class Provenance:
    """Where a weather dataset comes from, kept as its attributes.

    Parameters
    ----------
    title, origin, license_text, attribution : str
        Texts of the attributes.
    files : mapping
        Input file name to SHA-256.
    remarks : iterable of str
        Sentences on what was skipped, repaired or missing.
    """

    title: str = "Daily minimum and maximum air temperature"
    origin: str = ""
    license_text: str = ""
    attribution: str = ""
    files: Mapping[str, str] = field(default_factory=dict)
    remarks: Iterable[str] = ()


def new_dataset(
    stations: pd.DataFrame,
    time: np.ndarray,
    tmin: np.ndarray,
    tmax: np.ndarray,
    *,
    source: np.ndarray | None = None,
    flag: np.ndarray | None = None,
    provider: np.ndarray | None = None,
    provenance: Provenance | None = None,
    found: pd.DataFrame | None = None,
) -> xr.Dataset:
    """Put daily temperatures of stations into the standard form.

    Parameters
    ----------
    stations : pandas.DataFrame
        One row per station: ``station`` (id), and where known ``latitude``, ``longitude`` [degrees],
        ``elevation_m`` [m], ``name``.
    time : array of datetime64, shape (days,)
        Every day from first to last.
    tmin, tmax : array of float, shape (stations, days)
        Temperatures [degC]; NaN where missing.
    source, flag : array of int, shape (stations, days), optional
        Codes of :data:`SOURCES` (observed where both values are there unless given) and bits of :data:`FLAGS`.
    provider : array of str, shape (stations, days), optional
        Who delivered the day.
    provenance : Provenance, optional
        Where the data come from.
    found : pandas.DataFrame, optional
        Table with :data:`FINDING_COLUMNS`: every single value set aside, with what it was.

    Returns
    -------
    xarray.Dataset
        Dims (station, time); variables ``tmin``, ``tmax`` [degC], ``source``, ``flag``.

    Raises
    ------
    ValueError
        If shapes do not fit or the days are not a complete calendar.

    Examples
    --------
    >>> days = np.arange("2024-05-01", "2024-05-04", dtype="datetime64[D]")
    >>> ds = new_dataset(pd.DataFrame({"station": ["A"]}), days, [[1.0, 2.0, 3.0]], [[9.0, 8.0, np.nan]])
    >>> ds["source"].values.tolist(), ds["flag"].values.tolist()
    ([[1, 1, 0]], [[0, 0, 1]])
    """
    days = np.asarray(time).astype("datetime64[D]")
    low, high = np.asarray(tmin, dtype=np.float64), np.asarray(tmax, dtype=np.float64)
    if low.shape != (len(stations), len(days)) or high.shape != low.shape:
        raise ValueError(f"temperatures of shape {low.shape}, {len(stations)} stations and {len(days)} days")
    if len(days) > 1 and not (np.diff(days) == np.timedelta64(1, "D")).all():
        raise ValueError("the days are not a complete calendar")
    codes, bits = _codes(low, high, 1 if source is None else source, 0 if flag is None else flag)
    dims = ("station", "time")
    variables = {
        "tmin": (dims, low, _temperature_attrs("minimum")),
        "tmax": (dims, high, _temperature_attrs("maximum")),
        "source": (dims, codes, _code_attrs("source of the day's temperatures", SOURCES)),
        "flag": (dims, bits, _mask_attrs()),
    }
    if provider is not None:
        variables["provider"] = (dims, np.asarray(provider), {"long_name": "data provider of the day"})
    origin = provenance or Provenance()
    attrs = {
        "Conventions": "CF-1.11",
        "featureType": "timeSeries",
        "title": origin.title,
        "source": origin.origin or "station observations",
        "input_files": json.dumps(dict(origin.files), sort_keys=True),
        "license": origin.license_text,
        "attribution": origin.attribution,
        "notes": "\n".join(origin.remarks),
        "findings": "[]",
    }
    dataset = xr.Dataset(variables, coords=_coordinates(stations, days), attrs=attrs)
    return dataset if found is None else add_findings(dataset, found)


def _codes(
    low: np.ndarray, high: np.ndarray, source: np.ndarray | int, flag: np.ndarray | int
) -> tuple[np.ndarray, np.ndarray]:
    """Return source and flag where days without both temperatures are missing, and flagged if one is there."""
    absent, incomplete = np.isnan(low) | np.isnan(high), np.isnan(low) != np.isnan(high)
    bits = np.where(incomplete, flag | FLAGS["incomplete_day"], flag & ~FLAGS["incomplete_day"])
    return np.where(absent, SOURCES["missing"], source).astype(np.int8), bits.astype(np.int16)


def with_temperatures(
    weather: xr.Dataset,
    tmin: np.ndarray,
    tmax: np.ndarray,
    *,
    source: np.ndarray | None = None,
    flag: np.ndarray | None = None,
) -> xr.Dataset:
    """Return a dataset with other temperatures; source and flag are its own where not given."""
    codes, bits = _codes(
        tmin,
        tmax,
        weather["source"].values if source is None else source,
        weather["flag"].values if flag is None else flag,
    )
    new = {"tmin": tmin, "tmax": tmax, "source": codes, "flag": bits}
    return weather.assign({k: (("station", "time"), v, weather[k].attrs) for k, v in new.items()})


def _coordinates(stations: pd.DataFrame, days: np.ndarray) -> dict[str, object]:
    count = len(stations)

    def numbers(name: str) -> np.ndarray:
        if name not in stations:
            return np.full(count, np.nan)
        return pd.to_numeric(stations[name]).to_numpy(dtype=np.float64, na_value=np.nan)

    ids = stations["station"].astype(str).to_numpy(dtype=object)
    names = stations["name"].fillna("").astype(str).to_numpy(dtype=object) if "name" in stations else ids
    degrees = {"latitude": "degrees_north", "longitude": "degrees_east"}
    return {
        "station": ("station", ids, {"cf_role": "timeseries_id", "long_name": "station identifier"}),
        "time": ("time", days.astype("datetime64[ns]"), {"standard_name": "time", "axis": "T"}),
        **{k: ("station", numbers(k), {"standard_name": k, "units": u}) for k, u in degrees.items()},
        "elevation": (
            "station",
            numbers("elevation_m"),
            {"standard_name": "surface_altitude", "units": "m", "positive": "up"},
        ),
        "station_name": ("station", names, {"long_name": "station name"}),
    }


def _temperature_attrs(which: str) -> dict[str, str]:
    return {
        "units": "degC",
        "standard_name": "air_temperature",
        "long_name": f"daily {which} air temperature",
        "cell_methods": f"time: {which}",
        "ancillary_variables": "source flag",
    }


def _code_attrs(long_name: str, codes: Mapping[str, int]) -> dict[str, object]:
    return {
        "long_name": long_name,
        "flag_values": np.array(list(codes.values()), dtype=np.int8),
        "flag_meanings": " ".join(codes),
    }


def _mask_attrs() -> dict[str, object]:
    return {
        "long_name": "findings on the day's temperatures",
        "flag_masks": np.array(list(FLAGS.values()), dtype=np.int16),
        "flag_meanings": " ".join(FLAGS),
    }


def station_table(weather: xr.Dataset) -> pd.DataFrame:
    """Return the stations of a dataset as a table: station, name, latitude, longitude, elevation_m."""
    return pd.DataFrame(
        {
            "station": weather["station"].values.astype(str),
            "name": weather["station_name"].values.astype(str),
            "latitude": weather["latitude"].values,
            "longitude": weather["longitude"].values,
            "elevation_m": weather["elevation"].values,
        }
    )


def has_flag(weather: xr.Dataset, name: str) -> xr.DataArray:
    """Return where a flag of :data:`FLAGS` is set: bool, dims (station, time)."""
    return (weather["flag"] & FLAGS[name]) != 0


def notes(weather: xr.Dataset) -> list[str]:
    """Return the remarks kept with a dataset, one sentence each."""
    return [line for line in str(weather.attrs.get("notes", "")).split("\n") if line]


def add_notes(weather: xr.Dataset, sentences: Sequence[str]) -> xr.Dataset:
    """Return the dataset with further remarks; one that is there already is not repeated."""
    known = notes(weather)
    return weather.assign_attrs(notes="\n".join([*known, *(s for s in sentences if s not in known)]))


def findings(weather: xr.Dataset) -> pd.DataFrame:
    """Return every value that was set aside, with what it was.

    Parameters
    ----------
    weather : xarray.Dataset
        A dataset in the standard form, see :func:`new_dataset`.

    Returns
    -------
    pandas.DataFrame
        Columns ``station, date, flag, tmin, tmax`` [degC, as they were] and ``where`` (file and row, or the
        check that found it).
    """
    records = json.loads(weather.attrs.get("findings", "[]"))
    frame = pd.DataFrame(records, columns=list(FINDING_COLUMNS))
    frame["date"] = pd.to_datetime(frame["date"])
    frame[["tmin", "tmax"]] = frame[["tmin", "tmax"]].astype(float)
    return frame


def add_findings(weather: xr.Dataset, found: pd.DataFrame) -> xr.Dataset:
    """Return the dataset with further findings (columns :data:`FINDING_COLUMNS`)."""
    if found.empty:
        return weather
    records = json.loads(weather.attrs.get("findings", "[]"))
    dates = pd.to_datetime(found["date"]).dt.strftime("%Y-%m-%d")
    values = {
        name: [None if np.isnan(v) else round(v, 3) for v in found[name].to_numpy(dtype=np.float64).tolist()]
        for name in ("tmin", "tmax")
    }
    columns = (found["station"], dates, found["flag"], values["tmin"], values["tmax"], found["where"])
    records += [list(record) for record in zip(*columns, strict=True)]
    return weather.assign_attrs(findings=json.dumps(records))


def input_files(weather: xr.Dataset) -> dict[str, str]:
    """Return the input files of a dataset and their SHA-256."""
    return dict(json.loads(weather.attrs.get("input_files", "{}")))


def without_rows(weather: xr.Dataset) -> tuple[str, ...]:
    """Return the stations of the station table of which no weather file has a row."""
    return tuple(json.loads(weather.attrs.get("stations_without_rows", "[]")))


def mark_forecast(weather: xr.Dataset, today: np.datetime64 | str) -> xr.Dataset:
    """Mark the days after the run date as forecast, so that they enter no observed sum.

    Parameters
    ----------
    weather : xarray.Dataset
        A dataset in the standard form, see :func:`new_dataset`.
    today : datetime64 or str
        The run date; itself still observed.

    Returns
    -------
    xarray.Dataset
        The same values, ``source`` 4 after the run date wherever there is a value.
    """
    later = weather["time"] > np.datetime64(today).astype("datetime64[ns]")
    source = weather["source"].where(~later | (weather["source"] == 0), np.int8(SOURCES["forecast"]))
    return weather.assign(source=source.astype(np.int8).assign_attrs(weather["source"].attrs))
