"""The only module that touches the station-data client (meteostat, major version 2).

The client answers every fault of the network with an empty series and a log record. This adapter asks for one
station and one year at a time, catches that record, and so tells apart what the caller must tell apart.
"""

from __future__ import annotations

import contextlib
import importlib
import logging
import re
import socket
import sqlite3
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from http.client import HTTPException, IncompleteRead
from pathlib import Path
from types import ModuleType
from typing import Any
from urllib.error import HTTPError, URLError

import pandas as pd

from phenofit.errors import FetchError
from phenofit.files import writing

__all__ = [
    "YearReply",
    "fetch_year",
    "load_client",
    "nearby",
    "session",
    "station_known",
    "update_station_list",
]

ACCEPTED = (2, 3)
"""Major versions of the client: from the first, below the second."""
TIMEOUT = 30.0
"""Longest wait for any single read [s]; the client itself reads series without one."""
ATTEMPTS = 3
PAUSE = 1.0
"""Wait before the first retry [s]; doubled before each further one."""
SAFE_ID = re.compile(r"[A-Za-z0-9_-]{1,20}")

_COLUMNS = ("tmin", "tmin_source", "tmax", "tmax_source")
_lock = threading.Lock()


@dataclass(frozen=True)
class YearReply:
    """What the service answered for one station and year.

    Attributes
    ----------
    state : {"data", "no file", "empty", "unreachable", "unreadable"}
        "no file": the service has no file of that year (404); "empty": a file without temperatures;
        "unreachable": no connection, time-out or a fault of the server, after all attempts;
        "unreadable": a file came that cannot be read, after all attempts.
    frame : pandas.DataFrame
        Index of days; columns ``tmin, tmax`` [degC], ``tmin_source, tmax_source``.
    detail : str
        The reason in one line.
    attribution, license_text : str
        What the client tells of the data in the reply.
    """

    state: str
    frame: pd.DataFrame
    detail: str = ""
    attribution: str = ""
    license_text: str = ""


def load_client() -> ModuleType:
    """Import the client and check its version.

    Raises
    ------
    FetchError
        If it is not installed, or another major version is.
    """
    wanted = f"needed is meteostat >={ACCEPTED[0]},<{ACCEPTED[1]}"
    try:
        module = importlib.import_module("meteostat")
    except ImportError as fault:
        raise FetchError(f"The station client is not installed ({fault}); {wanted}.") from None
    found = str(getattr(module, "__version__", "of unknown version"))
    major = re.match(r"(\d+)\.", found)
    absent = [
        name for name in ("daily", "stations", "config", "Station", "Point") if not hasattr(module, name)
    ]
    if major is None or not ACCEPTED[0] <= int(major.group(1)) < ACCEPTED[1] or absent:
        lacks = f" (it lacks {', '.join(absent)})" if absent else ""
        raise FetchError(f"The station client found is meteostat {found}{lacks}; {wanted}.")
    return module


@contextlib.contextmanager
def session(station_list: Path, *, timeout: float = TIMEOUT) -> Iterator[ModuleType]:
    """Give the client set up for us, and restore its settings and the socket time-out afterwards.

    Parameters
    ----------
    station_list : Path
        Our copy of the station list (SQLite); the client never downloads over it.
    timeout : float
        Longest wait for any single read [s].
    """
    client = load_client()
    ours = {
        "cache_enable": False,  # it keeps pickles; ours is NetCDF
        "include_model_data": True,  # days are told apart by their source, not dropped unseen
        "cache_directory": str(station_list.parent),  # it makes this folder whether it uses it or not
        "stations_db_file": str(station_list),
        "stations_db_ttl": 10**12,
        "network_timeout": timeout,
    }
    before = {name: getattr(client.config, name) for name in ours}
    old_timeout = socket.getdefaulttimeout()
    for name, value in ours.items():
        setattr(client.config, name, value)
    socket.setdefaulttimeout(timeout)
    try:
        yield client
    finally:
        socket.setdefaulttimeout(old_timeout)
        for name, value in before.items():
            setattr(client.config, name, value)


def update_station_list(target: Path, *, timeout: float = TIMEOUT) -> None:
    """Download the list of stations whole or not at all.

    Parameters
    ----------
    target : Path
        Where the SQLite file goes.
    timeout : float
        Longest wait for any single read [s].

    Raises
    ------
    FetchError
        If the server does not answer, or what came is no station list.
    """
    with writing(target) as temporary:
        temporary.unlink()
        with session(temporary, timeout=timeout) as client, _listening(threading.get_ident()) as heard:
            try:
                client.stations.query("SELECT id, latitude, longitude, elevation FROM stations LIMIT 1")
            except (pd.errors.DatabaseError, sqlite3.Error) as fault:
                raise FetchError(f"The list of stations came damaged ({fault}); try again.") from None
            except Exception as fault:  # noqa: BLE001 - the client raises a bare Exception when no address answers
                said = [r.getMessage() for r in heard if r.levelno >= logging.WARNING]
                raise FetchError(
                    "Station server unreachable: the list of stations could not be loaded "
                    f"({_list_reason(said) or _reason(fault)}). Check the network and try again."
                ) from None
        if not temporary.exists():
            raise FetchError("The list of stations came empty; try again.")


def _list_reason(said: list[str]) -> str:
    """Return why the list did not come, from what the client logged of its requests."""
    for line in said:
        status = re.search(r"returned status (\d+)", line)
        if status:
            return f"the server answered {status.group(1)}"
        for sign, words in (("timed out", "no answer in time"), ("refused", "connection refused")):
            if sign in line:
                return words
        if "resolve" in line:
            return "the server's name is not known here; is the network up?"
    return ""


def nearby(
    client: ModuleType, latitude: float, longitude: float, *, radius_km: float, limit: int
) -> pd.DataFrame:
    """Return the stations around a place, nearest first, by the service's list.

    Returns
    -------
    pandas.DataFrame
        Columns ``station, name, latitude, longitude, elevation_m``.
    """
    found = client.stations.nearby(client.Point(latitude, longitude), radius=radius_km * 1000.0, limit=limit)
    return _station_rows(found.reset_index())


def station_known(client: ModuleType, station: str) -> pd.DataFrame:
    """Return the list's row of one station; no row if it is unknown."""
    found = client.stations.query(
        "SELECT s.id, n.name, s.latitude, s.longitude, s.elevation FROM stations s "
        "LEFT JOIN names n ON s.id = n.station AND n.language = 'en' WHERE s.id = ?",
        params=(station,),
    )
    return _station_rows(found)


def _station_rows(found: pd.DataFrame) -> pd.DataFrame:
    frame = found.rename(columns={"id": "station", "elevation": "elevation_m"})
    frame = frame[["station", "name", "latitude", "longitude", "elevation_m"]].copy()
    frame["station"] = frame["station"].astype(str)
    frame["name"] = frame["name"].fillna("").astype(str)
    for column in ("latitude", "longitude", "elevation_m"):
        frame[column] = pd.to_numeric(frame[column]).astype(float)
    return frame[frame["station"].map(lambda s: SAFE_ID.fullmatch(s) is not None)].reset_index(drop=True)


def fetch_year(
    client: ModuleType,
    station: str,
    year: int,
    *,
    attempts: int = ATTEMPTS,
    pause: float = PAUSE,
    sleep: Callable[[float], object] = time.sleep,
    stopped: Callable[[], bool] = lambda: False,
) -> YearReply:
    """Ask for the daily minima and maxima of one station and year.

    Parameters
    ----------
    client : module
        The client, inside :func:`session`.
    station : str
        Station id of the service.
    year : int
        Calendar year.
    attempts : int
        How often faults that may pass are tried in all.
    pause : float
        Wait before the first retry [s]; doubled before each further one.
    sleep : callable
        Waits.
    stopped : callable
        Whether the user has given up; then nothing is tried again.

    Returns
    -------
    YearReply
        Never raises for a fault of the network.
    """
    reply = _ask_once(client, station, year)
    for attempt in range(1, attempts):
        if reply.state not in ("unreachable", "unreadable"):
            break
        sleep(pause * 2 ** (attempt - 1))
        if stopped():
            break
        reply = _ask_once(client, station, year)
    return reply


def _ask_once(client: ModuleType, station: str, year: int) -> YearReply:
    with _listening(threading.get_ident()) as heard:
        series = client.daily(
            client.Station(id=station),
            datetime(year, 1, 1),
            datetime(year, 12, 31),
            parameters=[client.Parameter.TMIN, client.Parameter.TMAX],
        )
        frame = None if series.empty else series.fetch(sources=True, clean=False)
    if frame is not None and len(frame):
        frame = frame.reindex(columns=list(_COLUMNS))
        frame = frame[frame["tmin"].notna() | frame["tmax"].notna()]
    if frame is None or not len(frame):
        return _without_data(heard)
    return YearReply("data", frame, "", str(series.attribution), _licenses(series.providers))


def _without_data(heard: list[logging.LogRecord]) -> YearReply:
    nothing = pd.DataFrame(columns=list(_COLUMNS))
    faults = [r.exc_info[1] for r in heard if r.exc_info and r.exc_info[1] is not None]
    if faults:
        fault = faults[0]
        down = isinstance(fault, HTTPError | URLError | OSError | HTTPException) and not _damaged(fault)
        return YearReply("unreachable" if down else "unreadable", nothing, _reason(fault))
    if any("was not found" in r.getMessage() for r in heard):
        return YearReply("no file", nothing, "the service has no file")
    return YearReply("empty", nothing, "the file has no temperatures")


def _damaged(fault: BaseException) -> bool:
    # gzip.BadGzipFile is an OSError, but tells of the content and not of the connection.
    return type(fault).__name__ in ("BadGzipFile", "EOFError", "error")


def _reason(fault: BaseException) -> str:
    if isinstance(fault, HTTPError):
        return f"the server answered {fault.code}"
    inner = getattr(fault, "reason", None)
    if isinstance(inner, BaseException):
        fault = inner
    if isinstance(fault, TimeoutError):
        return "no answer in time"
    if isinstance(fault, IncompleteRead):
        return "the reply was cut off"
    if _damaged(fault):
        return "the file is damaged"
    text = " ".join(str(fault).split())
    return f"{type(fault).__name__}: {text[:120]}" if text else type(fault).__name__


def _licenses(providers: list[Any]) -> str:
    known = importlib.import_module("meteostat.core.providers").provider_service
    found = [
        spec for spec in map(known.get_provider, providers) if spec is not None and spec.license is not None
    ]
    return "; ".join(sorted({f"{spec.name}: {spec.license.name or 'see the source'}" for spec in found}))


@contextlib.contextmanager
def _listening(thread: int) -> Iterator[list[logging.LogRecord]]:
    """Collect the client's log records of one thread, also those below the level it would show."""
    records: list[logging.LogRecord] = []

    class Ear(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            if record.thread != thread:
                return
            records.append(record)
            fault = sys.exc_info()[1]
            if isinstance(fault, HTTPError):
                fault.close()  # the client logs it and lets its socket go unclosed

    logger = logging.getLogger("meteostat")
    ear = Ear(level=logging.INFO)
    with _lock:
        _listeners.append(ear)
        if len(_listeners) == 1:
            _before.update(level=logger.level, propagate=logger.propagate)
            logger.setLevel(logging.INFO)
            logger.propagate = False  # faults are told by us, in one line each
        logger.addHandler(ear)
    try:
        yield records
    finally:
        with _lock:
            logger.removeHandler(ear)
            _listeners.remove(ear)
            if not _listeners:
                logger.setLevel(_before["level"])
                logger.propagate = bool(_before["propagate"])


_listeners: list[logging.Handler] = []
_before: dict[str, int] = {}


def modelled_sources() -> frozenset[str]:
    """Return the source names of the service that are analyses or forecasts, not observations."""
    providers = importlib.import_module("meteostat.core.providers").provider_service.providers
    grades = importlib.import_module("meteostat.enumerations").Grade
    return frozenset(str(p.id) for p in providers if p.grade in (grades.ANALYSIS, grades.FORECAST))


def observed_sources() -> frozenset[str]:
    """Return the source names of the service that are observations or records of them."""
    providers = importlib.import_module("meteostat.core.providers").provider_service.providers
    grades = importlib.import_module("meteostat.enumerations").Grade
    return frozenset(str(p.id) for p in providers if p.grade in (grades.OBSERVATION, grades.RECORD))
