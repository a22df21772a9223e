"""Download one file of the station service: bounded in size and in time, with one named outcome."""

from __future__ import annotations

import gzip
import threading
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from http.client import HTTPException
from pathlib import Path
from typing import TypeVar
from urllib.error import HTTPError, URLError
from urllib.request import urlopen

LONGEST = 120.0
"""Longest time for one request in all, however slowly its bytes come [s]."""
LARGEST_REPLY = 16 * 1024**2
"""Largest file that is taken from the service [bytes]; a station-year has some kilobytes."""
LARGEST_UNPACKED = 64 * 1024**2
"""Largest text that a file may hold when unpacked [bytes]."""
_PART = 65536
_T = TypeVar("_T")


@dataclass(frozen=True)
class Outcome:
    """How a download or an unpacking ended."""

    state: str  # As in :class:`phenofit.weather.service.client.YearReply`.
    detail: str = ""  # The reason in one line.


def within(seconds: float, work: Callable[[], _T]) -> _T:
    """Return the result of some work, or give up after a time."""
    results: list[_T] = []
    faults: list[BaseException] = []

    def run() -> None:
        try:
            results.append(work())
        except BaseException as fault:  # noqa: BLE001 - handed to the caller
            faults.append(fault)

    # In a separate thread: no time-out of a socket ends a reply that comes byte by byte.
    worker = threading.Thread(target=run, daemon=True, name="phenofit-request")
    worker.start()
    worker.join(seconds)
    if faults:
        raise faults[0]
    if not results:
        raise TimeoutError
    return results[0]


def download(
    url: str, target: Path, *, timeout: float, longest: float = LONGEST, largest: int = LARGEST_REPLY
) -> Outcome:
    """Download a file."""
    given_up = threading.Event()

    def work() -> Outcome:
        size = 0
        with urlopen(url, timeout=timeout) as reply, target.open("wb") as stream:
            while part := reply.read1(_PART):
                size += len(part)
                if size > largest:
                    return Outcome("unreadable", f"the file has more than {largest / 1024**2:g} MiB")
                if given_up.is_set():
                    break
                stream.write(part)
            if reply.length:  # bytes that were announced and did not come
                return Outcome("unreachable", "the reply was cut off")
        return Outcome("done")

    try:
        return within(longest, work)
    except HTTPError as fault:
        fault.close()
        if fault.code == 404:
            return Outcome("no file", "the service has no file")
        return Outcome("unreachable", f"the server answered {fault.code}")
    except TimeoutError:
        return Outcome("unreachable", "no answer in time")
    except (URLError, OSError, HTTPException) as fault:
        return Outcome("unreachable", _reason(fault))
    finally:
        given_up.set()


def _reason(fault: BaseException) -> str:
    inner = getattr(fault, "reason", None)
    if isinstance(inner, BaseException):
        fault = inner
    if isinstance(fault, TimeoutError):
        return "no answer in time"
    text = " ".join(str(fault).split())
    return f"{type(fault).__name__}: {text[:120]}" if text else type(fault).__name__


def unpack(path: Path, *, largest: int = LARGEST_UNPACKED) -> tuple[Outcome, str]:
    """Return the text of a gzip file, unless it is damaged or larger than allowed."""
    try:
        with gzip.open(path) as stream:
            content = stream.read(largest + 1)
    except (gzip.BadGzipFile, EOFError, zlib.error):
        return Outcome("unreadable", "the file is damaged"), ""
    if len(content) > largest:
        return Outcome("unreadable", f"the file holds more than {largest / 1024**2:g} MiB of text"), ""
    try:
        return Outcome("done"), content.decode("utf-8")
    except UnicodeDecodeError:
        return Outcome("unreadable", "the file is not UTF-8 text"), ""
