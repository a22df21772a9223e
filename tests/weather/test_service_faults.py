"""Each request of the station service ends in one named state, whatever comes and however many run at once."""

from __future__ import annotations

import logging
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from pathlib import Path

import numpy as np
import pytest

import phenofit.weather.service.client as adapter
from phenofit.errors import FetchError
from phenofit.weather import fetch_report, notes
from phenofit.weather.service.cache import SHORT_DAYS, WHOLE_SHARE, StoredYear
from phenofit.weather.service.download import download, unpack, within
from phenofit.weather.service.reply import check_reply, not_celsius
from tests.weather.service import STATIONS, Service, random_outcome, temperatures
from tests.weather.test_fetch import fetch, states, traps_at


def _ask_all(service: Service, folder: Path, requests: int) -> None:
    adapter.update_station_list(folder / "stations.db")
    asked = [(f"R{k % 97:03d}", 1900 + k // 97) for k in range(requests)]
    with adapter.session(folder / "stations.db") as client, ThreadPoolExecutor(16) as pool:
        replies = list(pool.map(lambda a: adapter.fetch_year(client, *a, attempts=1), asked))
    wrong = [
        (a, r.state, r.detail) for a, r in zip(asked, replies, strict=True) if r.state != random_outcome(*a)
    ]
    assert wrong == []
    # The data are those of the request, not of another one under way.
    days = {a: r.frame.index[0] for a, r in zip(asked, replies, strict=True) if r.state == "data"}
    assert len(days) > requests / 5
    assert all(day.year == year for (_, year), day in days.items())
    details = {r.state: r.detail for r in replies}
    assert details["unreachable"] == "the server answered 503"
    assert details["unreadable"] == "the file is damaged"


def test_many_threads_and_a_server_that_fails_at_random(service: Service, tmp_path: Path) -> None:
    _ask_all(service, tmp_path, 200)


@pytest.mark.slow
def test_two_thousand_requests_and_no_wrong_state(service: Service, tmp_path: Path) -> None:
    _ask_all(service, tmp_path, 2000)


def test_log_records_reach_the_thread_that_made_them(service: Service) -> None:
    logger = logging.getLogger("meteostat")
    before = (logger.level, logger.propagate)

    def speak(number: int) -> list[str]:
        with adapter._log_records() as heard:
            for _ in range(20):
                logger.info("%d", number)
        return [record.getMessage() for record in heard]

    with ThreadPoolExecutor(8) as pool:
        for number, found in enumerate(pool.map(speak, range(200))):
            assert found == [str(number)] * 20
    assert (logger.level, logger.propagate) == before
    assert [h for h in logger.handlers if isinstance(h, adapter._ThreadRecords)] == [adapter._records]


@pytest.mark.parametrize(
    ("station", "state", "detail"),
    [
        ("WORDS", "unreadable", "column tmin has 'warm' in 1 rows"),
        ("KELVN", "unreadable", "look like kelvin (median 2"),
        ("TURND", "unreadable", "the minimum is above the maximum on 365 of 365 days"),
        ("INFIN", "unreadable", "column tmin has 'inf' in 1 rows"),
        ("NOCOL", "unreadable", "it has no column tmax"),
        ("NODAY", "unreadable", "'2023-2-30' is no date, in 1 rows"),
        ("BLOWN", "unreadable", "holds more than 64 MiB of text"),
        ("BURST", "unreadable", "more than 16 MiB"),
        ("DRIPS", "unreachable", "no answer in time"),
    ],
)
def test_each_fault_has_a_state_and_one_line(
    station: str, state: str, detail: str, service: Service, tmp_path: Path
) -> None:
    options = {"years": (2023, 2023), "attempts": 1}
    with pytest.raises(FetchError) as caught:
        fetch(traps_at(station, given=True), tmp_path, longest=1.0 if station == "DRIPS" else 60.0, **options)
    assert detail in str(caught.value)
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "daily" / station).exists()
    # Beside a station that answers, the others go on and the report names the state.
    weather = fetch(
        traps_at(station, "GOOD1", given=True),
        tmp_path,
        longest=1.0 if station == "DRIPS" else 60.0,
        **options,
    )
    assert states(weather) == {station: state, "GOOD1": "complete"}
    assert detail in fetch_report(weather).set_index("station")["detail"][station]


def test_repeated_days_are_dropped_or_missing_and_counted(service: Service, tmp_path: Path) -> None:
    weather = fetch(traps_at("TWINS", given=True), tmp_path, years=(2023, 2023))
    said = [note for note in notes(weather) if note.startswith("Station TWINS, 2023:")]
    assert said == [
        "Station TWINS, 2023: 1 repeated rows were dropped.",
        "Station TWINS, 2023: 1 days had two different rows and were set to missing.",
    ]
    assert fetch_report(weather)["days_observed"].item() == 364
    assert np.isnan(weather["tmin"].sel(time="2023-01-10").item())
    assert weather["tmin"].sel(time="2023-01-21").item() == temperatures("TWINS", date(2023, 1, 21))[0]
    # What was set aside is said again when the year comes from the store.
    again = fetch(traps_at("TWINS", given=True), tmp_path, years=(2023, 2023))
    assert [n for n in notes(again) if n.startswith("Station TWINS, 2023:")] == said


def test_a_short_reply_of_a_closed_year_is_not_kept_for_good(service: Service, tmp_path: Path) -> None:
    def asked(today: str) -> tuple[int, int]:
        service.requests.clear()
        weather = fetch(traps_at("FIVED", given=True), tmp_path, years=(2020, 2020), today=today)
        return int(fetch_report(weather)["days_observed"].item()), sum(
            n for path, n in service.requests.items() if "FIVED" in path
        )

    assert asked("2024-03-01") == (5, 1)
    first = fetch(traps_at("FIVED", given=True), tmp_path, years=(2020, 2020), today="2024-03-01")
    assert any("5 days came and 361 did not; asked for again from 2024-03-31 on" in n for n in notes(first))
    assert asked("2024-03-30") == (5, 0)  # not every day anew
    assert asked("2024-03-31") == (366, 1)
    assert asked("2034-01-01") == (366, 0)  # for good


def test_which_years_are_short_at_the_limit() -> None:
    import pandas as pd

    def stored(days: int) -> StoredYear:
        return StoredYear("data", pd.DataFrame(index=range(days)), np.datetime64("2024-03-01"), "", "")

    assert (SHORT_DAYS, WHOLE_SHARE) == (30, 0.9)
    assert stored(329).days_short(2023) == 0  # 0.9 of 365 is 328.5
    assert stored(328).days_short(2023) == 37
    assert stored(330).days_short(2020) == 0  # 0.9 of 366 is 329.4
    assert stored(329).days_short(2020) == 37


def test_downloads_are_bounded(service: Service, tmp_path: Path) -> None:
    good = f"{service.address}/daily/2023/GOOD1.csv.gz"
    target = tmp_path / "file.gz"
    assert download(good, target, timeout=5).state == "done"
    size = target.stat().st_size
    assert download(good, target, timeout=5, largest=size).state == "done"
    assert download(good, target, timeout=5, largest=size - 1).state == "unreadable"
    text = len(unpack(target)[1].encode()) if download(good, target, timeout=5).state == "done" else 0
    assert unpack(target, largest=text)[0].state == "done"
    assert unpack(target, largest=text - 1)[0].state == "unreadable"
    assert download("http://127.0.0.1:9/none", target, timeout=1).state == "unreachable"


def test_work_that_takes_too_long_is_given_up_and_its_errors_are_raised() -> None:
    import threading

    never = threading.Event()
    with pytest.raises(TimeoutError):
        within(0.05, never.wait)
    never.set()
    assert within(60.0, lambda: 7) == 7
    with pytest.raises(KeyError, match="lost"):
        within(60.0, lambda: dict[str, int]()["lost"])


def test_half_of_the_days_may_be_wrong_and_not_more() -> None:
    low, high = np.full(10, 5.0), np.full(10, 9.0)
    low[:5] = 12.0
    assert not_celsius(low, high) == ""  # day by day they are flagged later
    low[5] = 12.0
    assert not_celsius(low, high) == "the minimum is above the maximum on 6 of 10 days"
    assert (
        not_celsius(np.full(4, 99.0), np.full(4, 99.0))
        == "the temperature is beyond any record on 4 of 4 days"
    )
    assert "kelvin" in not_celsius(np.full(4, 151.0), np.full(4, 151.0))
    assert "record" in not_celsius(np.full(4, 150.0), np.full(4, 150.0))
    assert not_celsius(np.full(4, np.nan), np.full(4, np.nan)) == ""


def test_a_file_is_looked_through_before_the_client_reads_it() -> None:
    head = "year,month,day,tmin,tmax\n"
    assert check_reply(head + "2020,1,1,1.0,2.0\n").days == 1
    assert check_reply(head + "2020,1,1,,\n").days == 0
    assert check_reply("").fault.startswith("it is no table")
    assert check_reply('year,month\n"2020').fault
    assert check_reply(head + "2020,x,1,1.0,2.0\n").fault == "'2020-x-1' is no date, in 1 rows"
    assert all(name in STATIONS for name in ("WORDS", "KELVN"))
