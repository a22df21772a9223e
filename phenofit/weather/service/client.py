"""The only module that imports the station-data client (meteostat, major version 2).

The client answers every fault of the network with an empty series. This adapter therefore downloads the file of one
station and one year itself, so that each request has one named outcome, and has the client read the local copy.
"""

from __future__ import annotations

import contextlib
import gzip
import importlib
import logging
import os
import re
import socket
import sqlite3
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd

from phenofit.errors import FetchError
from phenofit.files import writing
from phenofit.weather.service.download import LONGEST, download, unpack, within
from phenofit.weather.service.reply import check_reply, not_celsius

ACCEPTED = (2, 3)
"""Major versions of the client: from the first, below the second."""
TIMEOUT = 30.0
"""Longest wait for any single read [s]."""
ATTEMPTS = 3
PAUSE = 1.0
"""Wait before the first retry [s]; doubled before each further one."""
SAFE_ID = re.compile(r"[A-Za-z0-9_-]{1,20}")

_COLUMNS = ("tmin", "tmin_source", "tmax", "tmax_source")
_lock = threading.Lock()
_one_session = threading.Lock()  # the settings of the client belong to the whole process


@dataclass(frozen=True)
class YearReply:
    """What the service answered for one station and year."""

    # "no file": the service has no file of that year (404); "empty": a file without temperatures;
    # "unreachable": no connection, time-out or a fault of the server, after all attempts; "unreadable": a
    # file came that cannot be read, after all attempts.
    state: str
    frame: pd.DataFrame  # Index of days; columns ``tmin, tmax`` [degC], ``tmin_source, tmax_source``.
    detail: str = ""  # The reason in one line.
    attribution: str = ""  # What the client says of the data in the reply.
    license_text: str = ""
    notes: tuple[str, ...] = ()  # What was set aside in the file, one sentence each.


@dataclass
class _Source:
    """Where the files of a session come from, and where their local copies are put."""

    endpoint: str = ""
    folder: Path = Path()
    timeout: float = 0.0
    longest: float = LONGEST


_source = _Source()


def load_client() -> ModuleType:
    """Import the client and check its version."""
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
def session(
    station_list: Path, *, timeout: float = TIMEOUT, longest: float = LONGEST
) -> Iterator[ModuleType]:
    """Yield the client with our settings, and restore its own and the socket time-out afterwards."""
    with _one_session:
        yield from _set_up(load_client(), station_list, timeout, longest)


def _set_up(client: ModuleType, station_list: Path, timeout: float, longest: float) -> Iterator[ModuleType]:
    daily: Any = importlib.import_module("meteostat.providers.meteostat.daily")
    ours = {
        "cache_enable": False,  # it keeps pickles; ours is NetCDF
        "include_model_data": True,  # the source of each day is checked by us
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
    endpoint = daily.ENDPOINT
    with tempfile.TemporaryDirectory(prefix="phenofit-fetch-", ignore_cleanup_errors=True) as folder:
        _source.endpoint, _source.folder = endpoint, Path(folder)
        _source.timeout, _source.longest = timeout, longest
        daily.ENDPOINT = str(Path(folder) / "{year}-{station}.csv.gz").replace(os.sep, "/")
        try:
            yield client
        finally:
            daily.ENDPOINT = endpoint
            socket.setdefaulttimeout(old_timeout)
            for name, value in before.items():
                setattr(client.config, name, value)


def update_station_list(target: Path, *, timeout: float = TIMEOUT, longest: float = LONGEST) -> None:
    """Download the list of stations whole or not at all."""
    with writing(target) as temporary:
        temporary.unlink()
        with session(temporary, timeout=timeout, longest=longest) as client:
            try:
                within(longest, lambda: _ask_for_list(client))
            except TimeoutError:
                raise FetchError(f"{_NO_LIST} (no answer in time). {_CHECK_NETWORK}") from None
        if not temporary.exists():
            raise FetchError("The list of stations came empty; try again.")


def _ask_for_list(client: ModuleType) -> None:
    with _log_records() as caught:
        try:
            client.stations.query("SELECT id, latitude, longitude, elevation FROM stations LIMIT 1")
        except (pd.errors.DatabaseError, sqlite3.Error) as fault:
            raise FetchError(f"The list of stations came damaged ({fault}); try again.") from None
        except Exception as fault:  # noqa: BLE001 - the client raises a bare Exception when no address answers
            lines = [r.getMessage() for r in caught if r.levelno >= logging.WARNING]
            reason = _list_reason(lines) or " ".join(str(fault).split())[:120] or type(fault).__name__
            raise FetchError(f"{_NO_LIST} ({reason}). {_CHECK_NETWORK}") from None


_NO_LIST = "Station server unreachable: the list of stations could not be loaded"
_CHECK_NETWORK = "Check the network and try again."


def _list_reason(lines: list[str]) -> str:
    """Return why the list was not received, from what the client logged of its requests."""
    for line in lines:
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
    """Return the stations around a place, nearest first, by the service's list."""
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
    """Ask for the daily minima and maxima of one station and year."""
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
    nothing = pd.DataFrame(columns=list(_COLUMNS))
    here = _source
    target = here.folder / f"{year}-{station}.csv.gz"
    with contextlib.ExitStack() as stack:
        stack.callback(lambda: target.unlink(missing_ok=True))
        found = download(
            here.endpoint.format(station=station, year=year),
            target,
            timeout=here.timeout,
            longest=here.longest,
        )
        text = ""
        if found.state == "done":
            found, text = unpack(target)
        if found.state != "done":
            return YearReply(found.state, nothing, found.detail)
        checked = check_reply(text)
        if checked.fault:
            return YearReply("unreadable", nothing, f"the file cannot be read: {checked.fault}")
        if not checked.days:
            return YearReply("empty", nothing, "the file has no temperatures")
        target.write_bytes(gzip.compress(checked.text.encode("utf-8"), mtime=0))
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
        return YearReply("unreadable", nothing, f"the file has no day of {year} that the client can read")
    low, high = (
        pd.to_numeric(frame[name]).to_numpy(np.float64, na_value=np.nan) for name in ("tmin", "tmax")
    )
    wrong = not_celsius(low, high)
    if wrong:
        return YearReply("unreadable", nothing, wrong)
    credit = str(series.attribution), _licenses(series.providers)
    return YearReply("data", frame, "", *credit, checked.notes)


def _licenses(providers: list[Any]) -> str:
    known = importlib.import_module("meteostat.core.providers").provider_service
    found = [
        spec for spec in map(known.get_provider, providers) if spec is not None and spec.license is not None
    ]
    return "; ".join(sorted({f"{spec.name}: {spec.license.name or 'see the source'}" for spec in found}))


class _ThreadRecords(logging.Handler):
    """Keeps each log record of the client for the thread that made it; is never removed from the logger."""

    def __init__(self) -> None:
        super().__init__(level=logging.INFO)
        self.by_thread: dict[int, list[logging.LogRecord]] = {}

    def emit(self, record: logging.LogRecord) -> None:
        records = self.by_thread.get(record.thread or 0)
        if records is not None:
            records.append(record)


_records = _ThreadRecords()


@contextlib.contextmanager
def _log_records() -> Iterator[list[logging.LogRecord]]:
    """Collect the client's log records of this thread, and keep them from being shown."""
    records: list[logging.LogRecord] = []
    logger = logging.getLogger("meteostat")
    thread = threading.get_ident()
    with _lock:
        if _records not in logger.handlers:
            logger.addHandler(_records)
        if not _records.by_thread:
            _before.update(level=logger.level, propagate=logger.propagate)
            logger.setLevel(logging.INFO)
            logger.propagate = False  # faults are reported by us, in one line each
        _records.by_thread[thread] = records
    try:
        yield records
    finally:
        with _lock:
            del _records.by_thread[thread]
            if not _records.by_thread:
                logger.setLevel(_before["level"])
                logger.propagate = bool(_before["propagate"])


_before: dict[str, int] = {}


def observed_sources() -> frozenset[str]:
    """Return the source names of the service that are observations or records of them."""
    providers = importlib.import_module("meteostat.core.providers").provider_service.providers
    grades = importlib.import_module("meteostat.enumerations").Grade
    return frozenset(str(p.id) for p in providers if p.grade in (grades.OBSERVATION, grades.RECORD))
