"""Read daily station weather from the files of a user."""

from __future__ import annotations

import json
import os
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.errors import DataError, ModelError, Problem, UnitError
from phenofit.files import file_hash
from phenofit.files.text_table import TableSource, source_name
from phenofit.weather.reading.assemble import DayRows, assemble
from phenofit.weather.reading.csv_reader import read_daily_table
from phenofit.weather.reading.ghcn import read_ghcn_daily
from phenofit.weather.reading.hourly_table import check_offsets, read_hourly_table
from phenofit.weather.reading.netcdf_reader import read_daily_netcdf, read_hourly_netcdf
from phenofit.weather.reading.station_table import read_stations
from phenofit.weather.schema import add_notes

FORMS = ("daily table", "netcdf", "ghcn-daily", "hourly table", "hourly netcdf")
_NETCDF = (".nc", ".nc4", ".cdf")


@dataclass(frozen=True)
class WeatherForm:
    """The form of weather files.

    Parameters
    ----------
    name : {"daily table", "netcdf", "ghcn-daily", "hourly table", "hourly netcdf"}, optional
        By default NetCDF by its endings, the fixed-width archive by .dly, and else a daily table.
    times, utc_offset, day_starts, minimum_hours
        For hourly tables, see :func:`phenofit.weather.reading.hourly_table.read_hourly_table`; the first two must be given.
        Hourly NetCDF files are in UTC and need the offset alone.
    keep_failed : bool
        For archive files, and tables with their flags: keep values that failed a quality check of the archive.
    """

    name: str | None = None
    times: str | None = None
    utc_offset: float | Mapping[str, float] | None = None
    day_starts: float = 0.0
    minimum_hours: int = 20
    keep_failed: bool = False


def read_weather(
    files: TableSource | Sequence[str | os.PathLike[str]],
    *,
    unit: str | None = None,
    stations: str | os.PathLike[str] | pd.DataFrame | None = None,
    columns: Mapping[str, str] | None = None,
    station_columns: Mapping[str, str] | None = None,
    dates: str = "year-first",
    missing_codes: Collection[float] | None = None,
    duplicates: str = "missing",
    station: str | None = None,
    form: WeatherForm | str | None = None,
) -> xr.Dataset:
    r"""Read daily minima and maxima of one or more stations.

    Parameters
    ----------
    files : path-like, pandas.DataFrame or sequence of path-like
        Delimited text (``station, date, tmin, tmax``) or CF NetCDF (by the endings .nc, .nc4, .cdf).
    unit : str
        Unit of the temperatures in text tables: ``"degC"``, ``"degF"`` or ``"kelvin"``. NetCDF files say it
        themselves.
    stations : path-like or pandas.DataFrame, optional
        Station table: ``station, latitude, longitude`` and optionally ``elevation_m, name``. Without it the
        positions are unknown, and traps must name their station.
    columns, station_columns : mapping, optional
        Our column name to the name in the file, for the weather and for the station table.
    dates : {"year-first", "month-first", "day-first"}
        Order of dates in text tables.
    missing_codes : collection of float, optional
        Numbers that mean "no value" in tables and NetCDF files, in their unit; by default those of
        :data:`phenofit.weather.reading.missing_codes.MISSING_CODES`.
    duplicates : {"missing", "first", "last"}
        Rule for a date that a station has more than once with different values.
    station : str, optional
        Station id for files without a station column.
    form : WeatherForm or str, optional
        Form of the files, or its name; by default known from their endings.

    Returns
    -------
    xarray.Dataset
        Dims (station, time), variables ``tmin, tmax`` [degC], ``source``, ``flag``; see
        :mod:`phenofit.weather.schema`. What was skipped or set aside is in ``notes`` and ``findings``.

    Raises
    ------
    DataError
        With all problems of all files.
    UnitError
        If no unit is declared for a text table, or a NetCDF variable has none.
    ModelError
        If `dates` or `duplicates` is not one of the accepted words.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "weather.csv"
    >>> _ = path.write_text("station,date,tmin,tmax\nA,2024-05-01,50,68\nA,2024-05-03,41,\n")
    >>> ds = read_weather(path, unit="degF")
    >>> ds["tmax"].values.tolist(), ds["source"].values.tolist()
    ([[20.0, nan, nan]], [[1, 0, 0]])
    """
    paths: list[TableSource] = [files] if isinstance(files, str | os.PathLike | pd.DataFrame) else [*files]
    if not paths:
        raise DataError(Problem("no weather file is given.", "Name at least one."))
    kind_of = form if isinstance(form, WeatherForm) else WeatherForm(form)
    table, remarks, problems = _station_table(stations, station_columns)
    parts: list[DayRows] = []
    known: list[pd.DataFrame] = []
    for path in paths:
        try:
            kind = _form_of(path, kind_of.name)
            if isinstance(path, pd.DataFrame) or kind == "daily table":
                rows = read_daily_table(
                    path,
                    unit=_declared(unit, path),
                    columns=columns,
                    dates=dates,
                    missing_codes=missing_codes,
                    keep_failed=kind_of.keep_failed,
                    station=station,
                )
            elif kind == "netcdf":
                rows, its_stations = read_daily_netcdf(
                    path, columns=columns, missing_codes=missing_codes, station=station
                )
                known.append(its_stations)
            elif kind == "hourly netcdf":
                rows, its_stations = read_hourly_netcdf(
                    path,
                    utc_offset=_offset(kind_of.utc_offset, path),
                    columns=columns,
                    day_starts=kind_of.day_starts,
                    minimum_hours=kind_of.minimum_hours,
                    missing_codes=missing_codes,
                    station=station,
                )
                known.append(its_stations)
            elif kind == "ghcn-daily":
                rows = read_ghcn_daily(path, keep_failed=kind_of.keep_failed)
            else:
                if kind_of.times is None:
                    raise ModelError(
                        f"{source_name(path)}: hourly stamps need times: UTC, local standard, or a time zone. The "
                        "day is never guessed."
                    )
                rows = read_hourly_table(
                    path,
                    unit=_declared(unit, path),
                    times=kind_of.times,
                    utc_offset=_offset(kind_of.utc_offset, path),
                    columns=columns,
                    dates=dates,
                    day_starts=kind_of.day_starts,
                    minimum_hours=kind_of.minimum_hours,
                    missing_codes=missing_codes,
                    station=station,
                )
            parts.append(rows)
        except DataError as fault:
            problems += fault.problems
    if problems:
        raise DataError(problems)
    if table is None and known:
        table = _merged(known, parts)
    hashes = {Path(path).name: file_hash(path) for path in paths if not isinstance(path, pd.DataFrame)}
    weather = assemble(
        DayRows.joined(parts), table, duplicates=duplicates, files=hashes, origin="station files"
    )
    if kind_of.utc_offset is not None and kind_of.name in ("hourly table", "hourly netcdf"):
        ids, longitude = (weather[name].to_numpy() for name in ("station", "longitude"))
        check_offsets(ids, longitude, kind_of.utc_offset, source_name(paths[0]))
    if table is not None:
        absent = [str(s) for s in table["station"] if s not in set(weather["station"].values.tolist())]
        weather = weather.assign_attrs(stations_without_rows=json.dumps(absent)) if absent else weather
    return add_notes(weather, remarks)


def _form_of(path: TableSource, form: str | None) -> str:
    if form is not None:
        if form not in FORMS:
            raise ModelError(f"form = '{form}' is not known; accepted are {', '.join(FORMS)}.")
        if isinstance(path, pd.DataFrame) and form != "daily table":
            raise ModelError(
                f"a DataFrame of temperatures is a daily table; form = '{form}' does not go with it."
            )
        return form
    if isinstance(path, pd.DataFrame):
        return "daily table"
    ending = Path(path).suffix.lower()
    return "netcdf" if ending in _NETCDF else "ghcn-daily" if ending == ".dly" else "daily table"


def _offset(
    utc_offset: float | Mapping[str, float] | None, path: str | os.PathLike[str]
) -> float | Mapping[str, float]:
    if utc_offset is None:
        raise ModelError(
            f"{source_name(path)}: hourly stamps need utc_offset, the hours from UTC to local standard time. The day "
            "is never guessed."
        )
    return utc_offset


def _station_table(
    stations: str | os.PathLike[str] | pd.DataFrame | None, columns: Mapping[str, str] | None
) -> tuple[pd.DataFrame | None, list[str], list[Problem]]:
    if stations is None or isinstance(stations, pd.DataFrame):
        return stations, [], []
    try:
        table, remarks = read_stations(stations, columns=columns)
    except DataError as fault:
        return None, [], list(fault.problems)
    return table, list(remarks), []


def _declared(unit: str | None, path: TableSource) -> str:
    if unit is None:
        raise UnitError(
            f"{source_name(path)}: no temperature unit is declared; weather without units is refused. "
            'Say unit = "degC", "degF" or "kelvin".'
        )
    return unit


def _merged(known: list[pd.DataFrame], parts: list[DayRows]) -> pd.DataFrame:
    """Return one station table: the stations that the NetCDF files describe, then the ids of the others."""
    table = pd.concat(known, ignore_index=True).drop_duplicates("station")
    ids = pd.unique(np.concatenate([part.station for part in parts]))
    others = pd.DataFrame({"station": ids[~pd.Index(ids).isin(table["station"])]})
    return pd.concat([table, others], ignore_index=True) if len(others) else table
