"""Fetch open station series for the traps of a study: few requests at once, a permanent store, and a report."""

from __future__ import annotations

import json
import os
import queue
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import xarray as xr

import phenofit.weather.service.client as service
from phenofit.errors import FetchError, ModelError
from phenofit.progress import Progress
from phenofit.weather.service.cache import SHORT_DAYS, StationCache, StoredYear
from phenofit.weather.service.download import LONGEST
from phenofit.weather.service.fetch_plan import Plan, plan_fetch, refresh_station_list
from phenofit.weather.service.fetch_report import REPORT_COLUMNS, station_row
from phenofit.weather.service.fetched import to_dataset

_Replies = queue.SimpleQueue[tuple[str, int, service.YearReply] | KeyboardInterrupt | None]
_STORED = {"data": "", "no file": "the service has no file", "empty": "the file has no temperatures"}
GIVE_UP_YEARS = 2  # unreachable years in a row after which a station's further years are not asked for
GIVE_UP_STATIONS = 3  # stations in a row without any answer after which the others are not asked for


@dataclass(frozen=True)
class Requests:
    """How the station service is asked.

    Parameters
    ----------
    candidates : int
        How many stations are asked for on behalf of one trap.
    at_once : int
        Requests under way at the same time, 1 to 4.
    timeout : float
        Longest wait for any single read [s].
    longest : float
        Longest time for one request in all, however slowly its bytes come [s].
    attempts : int
        How often an unreachable or unreadable year is tried in all.
    pause : float
        Wait before the first retry [s]; doubled before each further one.
    """

    candidates: int = 3
    at_once: int = 3
    timeout: float = service.TIMEOUT
    longest: float = LONGEST
    attempts: int = service.ATTEMPTS
    pause: float = service.PAUSE


_POLITE = Requests()


def fetch_weather(
    traps: pd.DataFrame,
    *,
    years: tuple[int, int],
    cache: str | os.PathLike[str],
    max_distance_km: float = 40.0,
    today: str | np.datetime64 | None = None,
    refresh: bool = False,
    observations_only: bool = True,
    keep_forecast: bool = False,
    requests: Requests = _POLITE,
    progress: Progress | None = None,
) -> xr.Dataset:
    """Fetch daily minima and maxima of the stations near the traps.

    Parameters
    ----------
    traps : pandas.DataFrame
        ``trap, latitude, longitude`` [degrees], optionally ``elevation_m`` [m] and ``station`` (then only that
        station is asked for).
    years : tuple of int
        First and last calendar year.
    cache : path-like
        Folder of the store; past years are kept there permanently, the current year for a day.
    max_distance_km : float
        Reach of a trap [km].
    today : str or datetime64, optional
        Run date; days after it are forecasts. By default the date of the clock.
    refresh : bool
        Ask again for everything, whatever is stored.
    observations_only : bool
        Set temperatures that the service took from a model to missing (counted in the report); otherwise they
        are kept and marked as modelled.
    keep_forecast : bool
        Keep days after the run date, marked as forecast; otherwise they are dropped.
    requests : Requests
        How the service is asked.
    progress : callable, optional
        Called with one line per station and year.

    Returns
    -------
    xarray.Dataset
        In the form of :mod:`phenofit.weather.schema`, with ``source`` and ``provider`` for each day;
        :func:`phenofit.weather.service.fetch_report` gives the state of each station that was asked for.

    Raises
    ------
    FetchError
        If no station gave a single day; the message gives the reason.
    ModelError
        If a setting is not acceptable.

    Notes
    -----
    If a call is stopped, the next call continues with what is in the store. Inventory dates of the service are
    hints and are not used: coverage is that of the days returned.
    """
    run_date = np.datetime64("today" if today is None else today).astype("datetime64[D]")
    first, last = _check(years, run_date, requests)
    say = progress or (lambda _line: None)
    store = StationCache(Path(cache))
    remarks = refresh_station_list(store, refresh=refresh, timeout=requests.timeout, today=run_date, say=say)
    with service.session(store.station_list, timeout=requests.timeout, longest=requests.longest) as client:
        plan = plan_fetch(client, traps, max_distance_km=max_distance_km, candidates=requests.candidates)
        if plan.stations.empty:
            raise FetchError(_nothing_planned(plan, max_distance_km))
        loads = _load(
            client, plan, range(first, last + 1), store, run_date, refresh=refresh, requests=requests, say=say
        )
    weather, rows = to_dataset(
        plan.stations,
        {k: v.years for k, v in loads.items()},
        (first, last),
        run_date,
        observations_only=observations_only,
        keep_forecast=keep_forecast,
    )
    report = [
        station_row(
            {str(k): v for k, v in planned.items()},
            loads[s].states,
            asked=loads[s].asked,
            stored=loads[s].stored,
            **rows[s],
        )
        for planned in plan.stations.to_dict("records")
        for s in [str(planned["station"])]
    ]
    report += [{"station": s, "state": "unknown", "detail": "no such station"} for s in plan.unknown]
    for line in _summary(report):
        say(line)
    if weather is None:
        raise FetchError(_nothing_loaded(report, first, last))
    remarks += [f"Trap {t}: no station within {max_distance_km:g} km." for t in plan.without_station]
    remarks += [f"Station {s}, {note}" for s, load in loads.items() for note in load.notes]
    remarks += [
        f"Station {s}, {year}: {note}"
        for s, load in loads.items()
        for year, held in load.years.items()
        for note in _year_notes(year, held, run_date)
    ]
    records = [{k: _plain(row.get(k)) for k in REPORT_COLUMNS} for row in report]
    notes = [n for n in weather.attrs["notes"].split("\n") if n]
    return weather.assign_attrs(
        fetch_report=json.dumps(records), notes="\n".join([*notes, *remarks, *_summary(report)])
    )


def _year_notes(year: int, held: StoredYear, today: np.datetime64) -> list[str]:
    """Return what was set aside in a year, and whether days are missing."""
    notes = list(held.notes)
    short = (
        held.days_short(year)
        if held.state == "data" and np.datetime64(f"{year:04d}-12-31", "D") < today
        else 0
    )
    if short:
        again = held.fetched + np.timedelta64(SHORT_DAYS, "D")
        notes.append(f"{len(held.frame)} days came and {short} did not; asked for again from {again} on.")
    return notes


def _plain(value: object) -> object:
    if value is None or (isinstance(value, float) and not np.isfinite(value)):
        return None
    return value.item() if isinstance(value, np.generic) else value


def _check(years: tuple[int, int], run_date: np.datetime64, requests: Requests) -> tuple[int, int]:
    first, last = int(years[0]), int(years[1])
    this_year = int(str(run_date)[:4])
    if not 1750 <= first <= last:
        raise ModelError(f"years = [{first}, {last}] must be a first and a last year, in this order.")
    if first > this_year:
        raise ModelError(f"years = [{first}, {last}] lie after the run date {run_date}.")
    if not 1 <= requests.at_once <= 4:
        raise ModelError(
            f"requests_at_once = {requests.at_once} must be 1 to 4, to be polite to a free service."
        )
    if requests.attempts < 1:
        raise ModelError(f"attempts = {requests.attempts} must be 1 or more.")
    return first, min(last, this_year)


@dataclass
class _StationLoad:
    """What was loaded of one station."""

    years: dict[int, StoredYear] = field(default_factory=dict)
    states: dict[int, tuple[str, str]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    asked: int = 0
    stored: int = 0


def _load(
    client: ModuleType,
    plan: Plan,
    years: range,
    store: StationCache,
    today: np.datetime64,
    *,
    refresh: bool,
    requests: Requests,
    say: Progress,
) -> dict[str, _StationLoad]:
    """Take fresh years from the store and ask for the others; store each as it comes."""
    loads = {str(s): _StationLoad() for s in plan.stations["station"]}
    wanted: dict[str, list[int]] = {}
    for station, load in loads.items():
        for year in years:
            held = store.read(station, year)
            if held is not None:
                load.years[year] = held
                load.states[year] = (held.state, _STORED[held.state])
            if held is not None and not refresh and store.is_fresh(held, year, today):
                load.stored += 1
            else:
                wanted.setdefault(station, []).append(year)
    # A signal handler may put items into a simple queue, and an interrupt cannot leave it locked.
    replies: _Replies = queue.SimpleQueue()
    stop = threading.Event()
    unanswered = _Unanswered(stop)

    def ask(station: str) -> None:
        try:
            _ask_station(
                client, station, wanted[station], replies, unanswered, requests.attempts, requests.pause
            )
        finally:
            replies.put(None)

    total, done = sum(map(len, wanted.values())), 0
    pool = ThreadPoolExecutor(max_workers=requests.at_once, thread_name_prefix="phenofit-fetch")
    try:
        futures = [pool.submit(ask, station) for station in wanted]
        open_stations = len(futures)
        with _interrupt_put_to(replies) as interrupted:
            while open_stations:
                item = replies.get()
                if item is None:
                    open_stations -= 1
                    continue
                if isinstance(item, KeyboardInterrupt):
                    raise item
                station, year, reply = item
                done += 1
                store.write(station, year, reply, today)
                _keep(loads[station], year, reply, today)
                say(
                    f"[{done}/{total}] {station} {year}: {reply.state}"
                    + (f" ({reply.detail})" if reply.detail else "")
                )
                # All other replies may stand in the queue already, before the interrupt.
                if interrupted:
                    raise interrupted[0]
        for future in futures:
            future.result()
    finally:
        stop.set()
        pool.shutdown(wait=False, cancel_futures=True)
    return loads


@contextmanager
def _interrupt_put_to(replies: _Replies) -> Iterator[list[KeyboardInterrupt]]:
    """Let the first Ctrl-C wait until the current reply is stored; a second one interrupts at once.

    Raised anywhere, an interrupt may leave a lock that a thread waits for at the end of the program.
    """
    usual, interrupted = signal.getsignal(signal.SIGINT), list[KeyboardInterrupt]()
    if threading.current_thread() is not threading.main_thread() or not callable(usual):
        yield interrupted
        return

    def put(_number: int, _frame: object) -> None:
        signal.signal(signal.SIGINT, usual)
        interrupted.append(KeyboardInterrupt())
        replies.put(interrupted[0])

    signal.signal(signal.SIGINT, put)
    try:
        yield interrupted
    finally:
        signal.signal(signal.SIGINT, usual)


class _Unanswered:
    """Counts stations in a row without any answer, so that requests end early when the network is down."""

    def __init__(self, stop: threading.Event) -> None:
        self.stop = stop
        self._lock = threading.Lock()
        self._count = 0

    def add(self, answered: bool) -> None:
        with self._lock:
            self._count = 0 if answered else self._count + 1

    @property
    def given_up(self) -> bool:
        return self.stop.is_set() or self._count >= GIVE_UP_STATIONS


def _ask_station(
    client: ModuleType,
    station: str,
    years: list[int],
    replies: _Replies,
    unanswered: _Unanswered,
    attempts: int,
    pause: float,
) -> None:
    failed, answered, reason = 0, False, "the service did not answer for other stations"
    nothing = pd.DataFrame()
    # The newest year first: a forecast needs it, and it shows first whether the server answers.
    for year in sorted(years, reverse=True):
        if unanswered.given_up or failed >= GIVE_UP_YEARS:
            reply = service.YearReply("unreachable", nothing, f"not asked for, after {reason}")
        else:
            reply = service.fetch_year(
                client,
                station,
                year,
                attempts=attempts,
                pause=pause,
                sleep=unanswered.stop.wait,
                stopped=unanswered.stop.is_set,
            )
            failed = failed + 1 if reply.state == "unreachable" else 0
            answered = answered or reply.state != "unreachable"
            reason = reply.detail or reason
        replies.put((station, year, reply))
    unanswered.add(answered)


def _keep(load: _StationLoad, year: int, reply: service.YearReply, today: np.datetime64) -> None:
    load.asked += 1
    if reply.state in ("unreachable", "unreadable") and year in load.years:
        held = load.years[year]
        load.notes.append(f"{year}: {reply.state} ({reply.detail}); the copy of {held.fetched} was used.")
        return
    load.states[year] = (reply.state, reply.detail)
    if reply.state not in ("unreachable", "unreadable"):
        load.years[year] = StoredYear(
            reply.state, reply.frame, today, reply.attribution, reply.license_text, reply.notes
        )


def _nothing_planned(plan: Plan, reach: float) -> str:
    if plan.unknown:
        return f"No such station: {', '.join(plan.unknown)}. Check the ids in the trap table."
    return (
        f"No station within {reach:g} km of any trap (nearest to none of {', '.join(plan.without_station[:5])}). "
        "Check latitude and longitude, or raise max_distance_km."
    )


def _nothing_loaded(report: list[dict[str, object]], first: int, last: int) -> str:
    by_state: dict[str, list[str]] = {}
    for row in report:
        by_state.setdefault(str(row["state"]), []).append(str(row["station"]))
    details = next((str(r["detail"]) for r in report if r["state"] in ("unreachable", "unreadable")), "")
    reason = details.split("; ")[-1].split(": ", 1)[-1]  # that of the latest year, which is asked for first
    if "unreachable" in by_state:
        return f"Station server unreachable: {reason}. Check the network and try again."
    if "unreadable" in by_state:
        return f"What the station server sent cannot be read: {reason}. Try again later."
    stations = ", ".join(str(row["station"]) for row in report)
    return f"No data in the years {first} to {last} from {stations}. Widen the years or max_distance_km."


def _summary(report: list[dict[str, object]]) -> list[str]:
    lines = []
    for row in report:
        where = (
            "" if row.get("distance_km") is None else f", {row['distance_km']:.1f} km from the nearest trap"
        )
        days = (
            ""
            if row.get("days_expected") is None
            else f", {row['days_observed']} of {row['days_expected']} days observed"
        )
        model = f", {row['days_modelled']} modelled" if row.get("days_modelled") else ""
        detail = (
            f" ({row['detail']})" if row.get("detail") and row["state"] not in ("gaps", "complete") else ""
        )
        name = f" {row['name']}" if row.get("name") else ""
        lines.append(f"Station {row['station']}{name}{where}: {row['state']}{days}{model}{detail}.")
    return lines
