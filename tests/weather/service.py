"""A station service on the loopback with planted faults, for the real client; server and faults are ours.

The paths and file forms are those that the installed client asks for (read from its version 2.1.5): a gzip CSV
per year and station with a source column beside each value, and one SQLite file with the list of stations.
All stations and temperatures are invented.
"""

from __future__ import annotations

import contextlib
import gzip
import io
import json
import math
import re
import sqlite3
import threading
import time
import zlib
from collections import Counter
from collections.abc import Callable
from datetime import date, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from phenofit.weather.service.download import LARGEST_UNPACKED

# id: (name, latitude, longitude, elevation)
STATIONS: dict[str, tuple[str, float, float, float | None]] = {
    "GOOD1": ("Harrow Mill", 46.50, 6.60, 420.0),
    "GAPPY": ("Harrow Bridge", 46.52, 6.62, 450.0),
    "MODEL": ("Harrow Tower", 46.54, 6.60, 430.0),
    "NOELV": ("Harrow Pond", 46.56, 6.61, None),
    "BLANK": ("Quiet Hill", 46.60, 6.70, 600.0),  # 404 for every year
    "EMPTY": ("Quiet Lake", 46.61, 6.71, 600.0),  # files without temperatures
    "TWICE": ("Late Gate", 46.70, 6.60, 500.0),  # 503 twice for each year, then well
    "DOWN1": ("Down Farm", 46.80, 6.60, 500.0),  # always 503
    "SHORT": ("Cut Oak", 46.90, 6.60, 500.0),  # replies cut half-way
    "HANG1": ("Slow Well", 47.00, 6.60, 500.0),  # never answers
    "BADGZ": ("Torn Sack", 47.10, 6.60, 500.0),  # not gzip
    "ORDER": ("Mixed Row", 47.20, 6.60, 500.0),  # rows out of order
    "MOVED": ("Far Airfield", 47.30, 7.40, 500.0),  # listed 0.8 degrees east of its position
    "NEAR2": ("True Airfield", 47.32, 6.63, 500.0),
    "ONLYX": ("Half Post", 47.40, 6.60, 500.0),  # maximum only on every third day
    # Far from all others, so that no search around a trap finds them.
    "FIVED": ("Five Days", 60.0, 10.0, 100.0),  # five days of a year, then all of them
    "DRIPS": ("Leaky Tap", 60.1, 10.0, 100.0),  # a byte at a time, without end
    "BURST": ("Burst Pipe", 60.2, 10.0, 100.0),  # more bytes than any file has, without end
    "BLOWN": ("Wide Bag", 60.3, 10.0, 100.0),  # a small file that unpacks to a large one
    "WORDS": ("Spoken Hill", 60.4, 10.0, 100.0),  # text in a number column
    "KELVN": ("Cold Zero", 60.5, 10.0, 100.0),  # kelvin
    "TURND": ("Turned Cup", 60.6, 10.0, 100.0),  # minimum above maximum
    "INFIN": ("No End", 60.7, 10.0, 100.0),  # infinite values
    "TWINS": ("Two Oaks", 60.8, 10.0, 100.0),  # one row twice, and one day with two values
    "NOCOL": ("Lost Row", 60.9, 10.0, 100.0),  # without the maximum
    "NODAY": ("Odd Day", 61.0, 10.0, 100.0),  # 30 February
}
RANDOM = ("data", "no file", "unreachable", "unreadable")


def random_outcome(station: str, year: int) -> str:
    """The outcome of a station of the name R..., drawn from its file's name: no request depends on another."""
    return RANDOM[zlib.crc32(f"{station} {year}".encode()) % len(RANDOM)]


_PATH = re.compile(r"/daily/(\d{4})/([^/]+)\.csv\.gz")


def temperatures(station: str, day: date) -> tuple[float, float]:
    """Minimum and maximum of a station and day [degC]: a yearly wave, a day's own part, and the station's height."""
    phase = 2 * math.pi * (day.timetuple().tm_yday - 200) / 365.25
    own = 3.0 * math.sin(day.toordinal() * 12.9898) + math.sin(day.toordinal() * 0.7)
    height = STATIONS[station][3] or 450.0
    mean = 11.0 + 10.0 * math.cos(phase) + own - 0.0065 * (height - 450.0)
    return round(mean - 5.0, 1), round(mean + 5.0, 1)


def rows_of(station: str, year: int) -> list[str]:
    """CSV rows of a station-year, with the faults of that station in them."""
    days = [date(year, 1, 1) + timedelta(n) for n in range(366)]
    days = [d for d in days if d.year == year]
    if station == "GAPPY":
        days = [d for d in days if not (d.month == 6 and 10 <= d.day <= 14)]
    rows = []
    for day in days:
        low, high = temperatures(station, day)
        source = "ghcnd"
        if station == "MODEL" and (day.month, day.day) >= (9, 1):
            source = "dwd_poi dwd_mosmix" if day.day % 2 else "metno_forecast"
        lows, highs = f"{low}", f"{high}"
        if station == "EMPTY":
            lows = highs = ""
        if station == "ONLYX" and day.day % 3 == 0:
            lows = ""
        rows.append(
            f"{day.year},{day.month},{day.day},{lows},{source if lows else ''},{highs},{source if highs else ''}"
        )
    if station in _MADE_WRONG:
        return _MADE_WRONG[station](rows)
    if station == "ORDER":
        rows = rows[::-1]
        rows[3], rows[100] = rows[100], rows[3]
    return rows


def _each(change: Callable[[list[str]], None]) -> Callable[[list[str]], list[str]]:
    """Return what changes the cells of every row."""

    def changed(rows: list[str]) -> list[str]:
        cells = [row.split(",") for row in rows]
        for row in cells:
            change(row)
        return [",".join(row) for row in cells]

    return changed


def _to_kelvin(row: list[str]) -> None:
    row[3], row[5] = (f"{float(row[k]) + 273.15:.2f}" for k in (3, 5))


def _turn(row: list[str]) -> None:
    row[3], row[5] = row[5], row[3]


def _twins(rows: list[str]) -> list[str]:
    other = rows[9].split(",")
    other[3] = "-40.0"
    return [*rows[:10], ",".join(other), *rows[10:], rows[20]]


_MADE_WRONG: dict[str, Callable[[list[str]], list[str]]] = {
    "WORDS": lambda rows: [*rows[:5], rows[5].replace(rows[5].split(",")[3], "warm", 1), *rows[6:]],
    "KELVN": _each(_to_kelvin),
    "TURND": _each(_turn),
    "INFIN": lambda rows: [*rows[:-1], ",".join([*rows[-1].split(",")[:3], "inf", "ghcnd", "inf", "ghcnd"])],
    "TWINS": _twins,
    "NODAY": lambda rows: [*rows[:-1], ",".join([rows[-1][:4], "2", "30", *rows[-1].split(",")[3:]])],
}


def station_list() -> bytes:
    """The SQLite file with the list of stations."""
    connection = sqlite3.connect(":memory:")
    connection.executescript(
        "CREATE TABLE stations (id TEXT PRIMARY KEY, country TEXT, region TEXT, latitude REAL, longitude REAL, "
        "elevation INTEGER, timezone TEXT);"
        "CREATE TABLE names (station TEXT, language TEXT, name TEXT);"
        "CREATE TABLE identifiers (station TEXT, key TEXT, value TEXT);"
        "CREATE TABLE inventory (station TEXT, provider TEXT, parameter TEXT, start TEXT, end TEXT, "
        "completeness REAL);"
    )
    for key, (name, latitude, longitude, elevation) in STATIONS.items():
        connection.execute(
            "INSERT INTO stations VALUES (?, 'XX', 'XX', ?, ?, ?, 'Etc/UTC')",
            (key, latitude, longitude, elevation),
        )
        connection.execute("INSERT INTO names VALUES (?, 'en', ?)", (key, name))
    connection.commit()
    content = connection.serialize()
    connection.close()
    return content


class Service:
    """The server: start, count requests, change behaviour, stop."""

    def __init__(self) -> None:
        self.requests: Counter[str] = Counter()
        self.tries: Counter[str] = Counter()
        self.list_broken = False
        self.slow = 0.0  # seconds before each reply
        self.under_way = 0
        self.most_at_once = 0
        self.lock = threading.Lock()
        self.stopping = threading.Event()
        self.server = ThreadingHTTPServer(("127.0.0.1", 0), self._handler())
        self.server.daemon_threads = True
        self.thread = threading.Thread(
            target=self.server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True
        )
        self.thread.start()

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.server.server_address[1]}"

    def environment(self) -> dict[str, str]:
        """The client's settings that point it here."""
        return {
            "MS_DAILY_ENDPOINT": self.address + "/daily/{year}/{station}.csv.gz",
            "MS_STATIONS_DB_ENDPOINTS": json.dumps([self.address + "/stations.db"]),
            "MS_NETWORK_MAX_RETRIES": "0",
        }

    def reset(self) -> None:
        with self.lock:
            self.requests.clear()
            self.tries.clear()
            self.list_broken, self.slow, self.most_at_once = False, 0.0, 0

    def stop(self) -> None:
        self.stopping.set()
        self.server.shutdown()
        self.server.server_close()
        self.thread.join()

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        service = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                with service.lock:
                    service.requests[self.path] += 1
                    service.under_way += 1
                    service.most_at_once = max(service.most_at_once, service.under_way)
                try:
                    time.sleep(service.slow)
                finally:
                    with service.lock:
                        service.under_way -= 1  # before the reply, after which the client may ask again
                # A client may give up waiting, as some tests want it to.
                with contextlib.suppress(BrokenPipeError, ConnectionResetError):
                    service.answer(self)

            def log_message(self, format: str, *args: Any) -> None:
                """Keep the test output quiet."""

        return Handler

    def answer(self, handler: BaseHTTPRequestHandler) -> None:
        if handler.path == "/stations.db":
            content = b"no database" * 50 if self.list_broken else station_list()
            return _send(handler, 200, content)
        match = _PATH.fullmatch(handler.path)
        if match is not None and match.group(2).startswith("R"):
            return _at_random(handler, match.group(2), int(match.group(1)))
        if match is None or match.group(2) not in STATIONS or match.group(2) == "BLANK":
            return _send(handler, 404, b"not found")
        year, station = int(match.group(1)), match.group(2)
        with self.lock:
            self.tries[handler.path] += 1
            nth = self.tries[handler.path]
        if station == "DOWN1" or station.startswith("DEAD") or (station == "TWICE" and nth <= 2):
            return _send(handler, 503, b"busy")
        if station == "HANG1":
            time.sleep(3.0)
            return None
        if station in ("DRIPS", "BURST"):
            return _pour(handler, b"x" if station == "DRIPS" else b"x" * 2**20, self.stopping)
        if station == "BLOWN":
            return _send(handler, 200, gzip.compress(b"0" * (LARGEST_UNPACKED + 1), compresslevel=1))
        rows = rows_of(station, year)
        if station == "FIVED" and nth == 1:
            rows = rows[:5]
        text = _HEADER + "\n".join(rows) + "\n"
        if station == "NOCOL":
            text = text.replace("tmax,", "high,", 1)
        content = b"this is no gzip" if station == "BADGZ" else _zip(text)
        return _send(handler, 200, content, cut=station == "SHORT")


_HEADER = "year,month,day,tmin,tmin_source,tmax,tmax_source\n"


def _at_random(handler: BaseHTTPRequestHandler, station: str, year: int) -> None:
    outcome = random_outcome(station, year)
    if outcome == "no file":
        return _send(handler, 404, b"not found")
    if outcome == "unreachable":
        return _send(handler, 503, b"busy")
    row = f"{year},5,{zlib.crc32(station.encode()) % 28 + 1},1.5,ghcnd,9.5,ghcnd\n"
    return _send(handler, 200, b"this is no gzip" if outcome == "unreadable" else _zip(_HEADER + row))


def _pour(handler: BaseHTTPRequestHandler, part: bytes, stopping: threading.Event) -> None:
    """Send a reply that has no end, until the client goes away or the server stops."""
    handler.send_response(200)
    handler.end_headers()
    handler.close_connection = True
    while not stopping.wait(0.02 if len(part) == 1 else 0.0):
        handler.wfile.write(part)


def _zip(text: str) -> bytes:
    buffer = io.BytesIO()
    with gzip.GzipFile(fileobj=buffer, mode="wb", mtime=0) as stream:
        stream.write(text.encode())
    return buffer.getvalue()


def _send(handler: BaseHTTPRequestHandler, code: int, content: bytes, *, cut: bool = False) -> None:
    handler.send_response(code)
    handler.send_header("Content-Type", "application/octet-stream")
    handler.send_header("Content-Length", str(len(content)))
    handler.end_headers()
    handler.wfile.write(content[: len(content) // 2] if cut else content)
    if cut:
        handler.wfile.flush()
        handler.close_connection = True


def trap_file(path: Path, station_latitude: float = 46.5) -> None:
    """Write a trap table with one trap beside the first station."""
    path.write_text(f"trap,latitude,longitude,elevation_m\nT1,{station_latitude},6.6,430\n", encoding="utf-8")
