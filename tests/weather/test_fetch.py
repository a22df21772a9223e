"""The real client against a loopback service with planted faults."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from datetime import date
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import phenofit.weather.service.client as adapter
from phenofit.errors import FetchError, ModelError
from phenofit.weather import fetch_report, link_stations, notes
from tests.calls import fetch_weather
from tests.studies import study_text
from tests.weather.service import STATIONS, Service, temperatures


def traps_at(*stations: str, given: bool = False) -> pd.DataFrame:
    """Traps beside stations of the loopback service."""
    frame = pd.DataFrame(
        {
            "trap": [f"T{i}" for i in range(1, len(stations) + 1)],
            "latitude": [STATIONS[s][1] for s in stations],
            "longitude": [STATIONS[s][2] for s in stations],
            "elevation_m": [400.0] * len(stations),
        }
    )
    if given:
        frame["station"] = list(stations)
    return frame


def fetch(traps: pd.DataFrame, cache: Path, **settings: object) -> xr.Dataset:
    chosen: dict[str, object] = {"years": (2022, 2023), "today": "2024-10-05", "pause": 0.02, "timeout": 5.0}
    return fetch_weather(traps, cache=cache, **{**chosen, **settings})


def states(weather: xr.Dataset) -> dict[str, str]:
    report = fetch_report(weather)
    return dict(zip(report["station"], report["state"], strict=True))


def test_series_equals_what_the_service_holds(service: Service, tmp_path: Path) -> None:
    weather = fetch(traps_at("GOOD1", given=True), tmp_path)
    low, high = temperatures("GOOD1", date(2023, 7, 4))
    day = weather.sel(station="GOOD1", time="2023-07-04")
    assert (float(day["tmin"]), float(day["tmax"])) == (low, high)
    assert int(day["source"]) == 1
    assert str(day["provider"].values) == "ghcnd"
    assert weather.sizes == {"station": 1, "time": 730}


def test_each_fault_ends_in_its_named_state(service: Service, tmp_path: Path) -> None:
    # 404, no temperatures, 503 twice then well, always 503, cut half-way, no gzip, rows out of order
    wanted = ["GOOD1", "BLANK", "EMPTY", "TWICE", "DOWN1", "SHORT", "BADGZ", "ORDER", "GAPPY"]
    weather = fetch(traps_at(*wanted, given=True), tmp_path)
    assert states(weather) == {
        "GOOD1": "complete",
        "BLANK": "empty",
        "EMPTY": "empty",
        "TWICE": "complete",
        "DOWN1": "unreachable",
        "SHORT": "unreachable",
        "BADGZ": "unreadable",
        "ORDER": "complete",
        "GAPPY": "gaps",
    }
    assert sorted(weather["station"].values) == ["GAPPY", "GOOD1", "ORDER", "TWICE"]
    details = fetch_report(weather).set_index("station")["detail"]
    assert "503" in details["DOWN1"]
    assert "cut off" in details["SHORT"]
    assert "damaged" in details["BADGZ"]
    low, _ = temperatures("ORDER", date(2022, 1, 4))
    assert float(weather["tmin"].sel(station="ORDER", time="2022-01-04")) == low


def test_hang_ends_by_the_time_out(service: Service, tmp_path: Path) -> None:
    started = time.monotonic()
    weather = fetch(
        traps_at("HANG1", "GOOD1", given=True), tmp_path, timeout=0.4, attempts=1, years=(2022, 2022)
    )
    assert time.monotonic() - started < 5
    assert states(weather) == {"HANG1": "unreachable", "GOOD1": "complete"}
    assert "no answer in time" in fetch_report(weather)["detail"][0]


def test_connection_refused_is_one_line(
    service: Service, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        adapter.load_client().config, "stations_db_endpoints", ["http://127.0.0.1:9/stations.db"]
    )
    with pytest.raises(FetchError, match="Station server unreachable: the list of stations") as caught:
        fetch(traps_at("GOOD1"), tmp_path)
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "stations.db").exists()


def test_all_down_is_unreachable_and_gives_up_early(service: Service, tmp_path: Path) -> None:
    with pytest.raises(FetchError, match=r"Station server unreachable: .*the server answered 503"):
        fetch(traps_at("DOWN1", given=True), tmp_path, years=(2000, 2023), attempts=1)
    # two silent years are enough; the other 22 are not asked for
    assert sum(n for path, n in service.requests.items() if "DOWN1" in path) == 2


def test_unknown_station_and_empty_years_and_nothing_near_differ(service: Service, tmp_path: Path) -> None:
    unknown = traps_at("GOOD1").assign(station="NOSUCH")
    with pytest.raises(FetchError, match="No such station: NOSUCH"):
        fetch(unknown, tmp_path)
    with pytest.raises(FetchError, match="No data in the years 2022 to 2023 from BLANK"):
        fetch(traps_at("BLANK", given=True), tmp_path)
    far = pd.DataFrame({"trap": ["T1"], "latitude": [10.0], "longitude": [10.0]})
    with pytest.raises(FetchError, match="No station within 40 km"):
        fetch(far, tmp_path)


def test_station_id_cannot_leave_the_store(service: Service, tmp_path: Path) -> None:
    with pytest.raises(FetchError, match="No such station"):
        fetch(traps_at("GOOD1").assign(station="../../etc"), tmp_path)


def test_broken_station_list_is_not_kept(service: Service, tmp_path: Path) -> None:
    service.list_broken = True
    with pytest.raises(FetchError, match="list of stations came damaged"):
        fetch(traps_at("GOOD1"), tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_second_run_makes_no_request(service: Service, tmp_path: Path) -> None:
    first = fetch(traps_at("GOOD1", "BLANK", given=True), tmp_path)
    assert sum(service.requests.values()) == 5
    service.reset()
    second = fetch(traps_at("GOOD1", "BLANK", given=True), tmp_path)
    assert sum(service.requests.values()) == 0
    xr.testing.assert_equal(first, second)
    assert fetch_report(second)["years_from_store"].tolist() == [2, 2]


def test_running_year_daily_closed_years_for_good(service: Service, tmp_path: Path) -> None:
    fetch(traps_at("GOOD1", given=True), tmp_path, years=(2023, 2024), today="2024-05-01")
    service.reset()
    fetch(traps_at("GOOD1", given=True), tmp_path, years=(2023, 2024), today="2024-05-01")
    assert not service.requests
    later = fetch(traps_at("GOOD1", given=True), tmp_path, years=(2023, 2024), today="2024-05-20")
    assert dict(service.requests) == {"/daily/2024/GOOD1.csv.gz": 1}
    assert str(later["time"].values[-1])[:10] == "2024-05-20"
    service.reset()
    fetch(traps_at("GOOD1", given=True), tmp_path, years=(2023, 2024), today="2024-05-20", refresh=True)
    assert sum(service.requests.values()) == 3  # both years and the list of stations


def test_store_serves_when_the_server_is_gone(service: Service, tmp_path: Path) -> None:
    traps = traps_at("GOOD1", given=True)
    fetch(traps, tmp_path, years=(2024, 2024), today="2024-05-01")
    module = adapter.load_client()
    daily = sys.modules["meteostat.providers.meteostat.daily"]
    kept = daily.ENDPOINT
    daily.ENDPOINT = "http://127.0.0.1:9/daily/{year}/{station}.csv.gz"  # type: ignore[attr-defined]
    try:
        weather = fetch(traps, tmp_path, years=(2024, 2024), today="2024-05-20", attempts=1)
    finally:
        daily.ENDPOINT = kept  # type: ignore[attr-defined]
    assert module.config.cache_enable is not None
    assert any("the copy of 2024-05-01 was used" in note for note in notes(weather))
    assert (
        fetch_report(weather)["last_observed"][0] == "2024-05-01"
        or fetch_report(weather)["state"][0] == "complete"
    )


def test_observations_only_by_default(service: Service, tmp_path: Path) -> None:
    # the service fills from 1 September on: 122 days of each year
    observed = fetch(traps_at("MODEL", given=True), tmp_path)
    modelled = observed.sel(station="MODEL", time=slice("2023-09-01", "2023-12-31"))
    assert modelled["tmax"].isnull().all()
    assert (modelled["source"] == 0).all()
    report = fetch_report(observed).iloc[0]
    assert (report["days_modelled"], report["days_observed"]) == (244, 486)
    assert any("244 of 730 days (33 %)" in note for note in notes(observed))
    allowed = fetch(traps_at("MODEL", given=True), tmp_path, observations_only=False)
    kept = allowed.sel(station="MODEL", time=slice("2023-09-01", "2023-12-31"))
    assert kept["tmax"].notnull().all()
    assert (kept["source"] == 2).all()


def test_stopped_feed_is_told_though_rows_go_on(service: Service, tmp_path: Path) -> None:
    weather = fetch(traps_at("MODEL", given=True), tmp_path)
    assert any("no observation since 2023-08-31" in note for note in notes(weather))
    assert fetch_report(weather)["last_observed"][0] == "2023-08-31"


def test_station_without_elevation(service: Service, tmp_path: Path) -> None:
    weather = fetch(traps_at("NOELV", given=True), tmp_path, years=(2023, 2023))
    assert np.isnan(weather["elevation"].values[0])
    links = link_stations(traps_at("NOELV"), weather)
    assert links["station"].tolist() == ["NOELV"]
    assert np.isnan(links["height_difference_m"][0])


def test_other_major_version_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    old = ModuleType("meteostat")
    old.__version__ = "1.6.8"  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "meteostat", old)
    with pytest.raises(FetchError, match=r"meteostat 1\.6\.8 .*needed is meteostat >=2,<3"):
        adapter.load_client()
    old.__version__ = "2.9.0"  # type: ignore[attr-defined]
    with pytest.raises(FetchError, match="it lacks daily"):
        adapter.load_client()


def test_three_outcomes_and_the_others_go_on(service: Service, tmp_path: Path) -> None:
    weather = fetch(traps_at("GOOD1", "BLANK", "TWICE", given=True), tmp_path, years=(2023, 2023))
    assert states(weather) == {"GOOD1": "complete", "BLANK": "empty", "TWICE": "complete"}
    assert service.requests["/daily/2023/TWICE.csv.gz"] == 3


def test_displaced_list_entry_is_not_chosen_and_shown(service: Service, tmp_path: Path) -> None:
    # the entry is 0.8 degrees east of the traps' own airfield: about 60 km, out of reach
    traps = pd.DataFrame(
        {"trap": ["A", "B", "C"], "latitude": [47.30, 47.31, 47.30], "longitude": [6.60, 6.60, 6.61]}
    )
    weather = fetch(traps, tmp_path, years=(2023, 2023), max_distance_km=12, candidates=2)
    links = link_stations(traps, weather, max_distance_km=12)
    assert "MOVED" not in set(weather["station"].values)
    assert links["station_name"].unique().tolist() == ["True Airfield"]
    assert (links["distance_km"] < 5).all()


def test_forecast_days_never_count_as_observed(service: Service, tmp_path: Path) -> None:
    traps = traps_at("GOOD1", given=True)
    today = "2024-05-01"
    weather = fetch(traps, tmp_path, years=(2024, 2024), today=today)
    assert str(weather["time"].values[-1])[:10] == today
    ahead = fetch(traps, tmp_path, years=(2024, 2024), today=today, keep_forecast=True)
    assert set(np.unique(ahead["source"].sel(time=slice("2024-05-02", None)))) == {4}
    assert set(np.unique(ahead["source"].sel(time=slice(None, today)))) == {1}


def test_politeness(service: Service, tmp_path: Path) -> None:
    service.slow = 0.05
    fetch(traps_at("GOOD1", "GAPPY", "MODEL", "NOELV", "ORDER", given=True), tmp_path)
    assert 1 <= service.most_at_once <= 3
    with pytest.raises(ModelError, match="requests_at_once"):
        fetch(traps_at("GOOD1"), tmp_path, requests_at_once=20)


def test_attribution_and_licence_travel_along(service: Service, tmp_path: Path) -> None:
    weather = fetch(traps_at("GOOD1", given=True), tmp_path, years=(2023, 2023))
    assert "Creative Commons Attribution 4.0" in weather.attrs["license"]
    assert "Meteostat" in weather.attrs["attribution"]


def test_years_are_checked(service: Service, tmp_path: Path) -> None:
    with pytest.raises(ModelError, match="in this order"):
        fetch(traps_at("GOOD1"), tmp_path, years=(2024, 2020))
    with pytest.raises(ModelError, match="after the run date"):
        fetch(traps_at("GOOD1"), tmp_path, years=(2030, 2031))


def test_settings_of_the_client_are_given_back(service: Service, tmp_path: Path) -> None:
    config = adapter.load_client().config
    before = (config.cache_enable, config.stations_db_file, config.network_timeout)
    fetch(traps_at("GOOD1", given=True), tmp_path, years=(2023, 2023))
    assert (config.cache_enable, config.stations_db_file, config.network_timeout) == before


def test_damaged_store_file_is_fetched_again(service: Service, tmp_path: Path) -> None:
    fetch(traps_at("GOOD1", given=True), tmp_path, years=(2023, 2023))
    stored = tmp_path / "daily" / "GOOD1" / "2023.nc"
    stored.write_bytes(stored.read_bytes()[:500])
    service.reset()
    weather = fetch(traps_at("GOOD1", given=True), tmp_path, years=(2023, 2023))
    assert dict(service.requests) == {"/daily/2023/GOOD1.csv.gz": 1}
    assert states(weather) == {"GOOD1": "complete"}


def _study(folder: Path, *, years: str = "[2015, 2023]") -> Path:
    (folder / "traps.csv").write_text(
        "trap,latitude,longitude,elevation_m,station\nT1,46.5,6.6,430,GOOD1\nT2,46.6,6.7,,BLANK\n",
        encoding="utf-8",
    )
    (folder / "catches.csv").write_text(
        "trap,date,count\nT1,2023-05-01,3\nT1,2023-05-08,4\n", encoding="utf-8"
    )
    study = folder / "study.toml"
    study.write_text(
        study_text(
            "example leaf feeder",
            title="Invented moth on the loopback",
            weather=f'service = "meteostat"\nyears = {years}\n',
            more='[catches.columns]\ncheck = "date"\n',
        ),
        encoding="utf-8",
    )
    return study


# A runner in the background of a shell hands down an ignored Ctrl-C; the command is run as a terminal runs it.
_AS_IN_A_TERMINAL = (
    "import runpy, signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
    "runpy.run_module('phenofit', run_name='__main__', alter_sys=True)"
)


def _command(service: Service, *arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", _AS_IN_A_TERMINAL, "fetch", *arguments],
        env={**os.environ, **service.environment()},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_command_prints_states_links_and_licence(service: Service, tmp_path: Path) -> None:
    out = tmp_path / "series.nc"
    run = _command(service, str(_study(tmp_path)), "--today", "2024-06-01", "--quiet", "--out", str(out))
    printed, errors = run.communicate(timeout=120)
    assert run.returncode == 0, errors
    assert "GOOD1    complete  3287/3287" in printed
    assert "BLANK    empty" in printed
    assert "licence: Meteostat series: Creative Commons Attribution 4.0" in printed
    assert out.exists()
    assert not list(tmp_path.rglob("*.pickle"))


def test_command_without_a_server_is_one_line(service: Service, tmp_path: Path) -> None:
    study = _study(tmp_path)
    environment = {
        **os.environ,
        **service.environment(),
        "MS_STATIONS_DB_ENDPOINTS": '["http://127.0.0.1:9/s.db"]',
    }
    run = subprocess.run(
        [sys.executable, "-m", "phenofit", "fetch", str(study), "--quiet"],
        env=environment,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert run.returncode == 2
    assert run.stderr.count("\n") == 1
    assert "Station server unreachable" in run.stderr


_FETCH = """
import sys, pandas as pd
from phenofit.weather import fetch_weather
traps = pd.DataFrame({"trap": ["T1"], "latitude": [46.5], "longitude": [6.6], "station": ["GOOD1"]})
fetch_weather(traps, years=(2015, 2023), cache=sys.argv[1], today="2024-06-01")
"""


def _wait_for_years(store: Path, count: int) -> None:
    limit = time.monotonic() + 60
    while time.monotonic() < limit and len(list(store.glob("2*.nc"))) < count:
        time.sleep(0.02)


def test_killed_fetch_goes_on_from_the_store(service: Service, tmp_path: Path) -> None:
    service.slow = 0.3
    store = tmp_path / "daily" / "GOOD1"
    run = subprocess.Popen(
        [sys.executable, "-c", _FETCH, str(tmp_path)], env={**os.environ, **service.environment()}
    )
    _wait_for_years(store, 3)
    run.kill()
    run.wait(timeout=60)
    done = {p.name for p in store.glob("2*.nc")}
    assert 3 <= len(done) < 9
    service.reset()
    weather = fetch(traps_at("GOOD1", given=True), tmp_path, years=(2015, 2023), today="2024-06-01")
    assert states(weather) == {"GOOD1": "complete"}
    asked = {path.split("/")[2] for path in service.requests if "GOOD1" in path}
    assert asked == {str(y) for y in range(2015, 2024)} - {name[:4] for name in done}


@pytest.mark.parametrize("reply", ["[3/9]", "[9/9]"])  # No reply comes after the last one.
def test_an_interrupt_waits_until_the_reply_at_hand_is_stored(
    reply: str, service: Service, tmp_path: Path
) -> None:
    said: list[str] = []

    def interrupt(text: str) -> None:
        said.append(text)
        if text.startswith(reply):
            signal.raise_signal(signal.SIGINT)
            said.append("went on")

    usual = signal.getsignal(signal.SIGINT)
    with pytest.raises(KeyboardInterrupt):
        fetch(
            traps_at("GOOD1", given=True),
            tmp_path,
            years=(2015, 2023),
            today="2024-06-01",
            progress=interrupt,
        )
    assert "went on" in said
    assert len(list((tmp_path / "daily" / "GOOD1").glob("2*.nc"))) >= int(reply[1])
    assert signal.getsignal(signal.SIGINT) is usual


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C cannot be sent to one process there")
def test_command_stopped_by_the_user_goes_on_from_the_store(service: Service, tmp_path: Path) -> None:
    study = _study(tmp_path)
    service.slow = 0.3
    run = _command(service, str(study), "--today", "2024-06-01")
    store = tmp_path / ".weather-cache" / "daily" / "GOOD1"
    _wait_for_years(store, 3)
    run.send_signal(signal.SIGINT)
    try:
        _, errors = run.communicate(timeout=240)
    finally:
        run.kill()
    assert run.returncode == 130, errors
    done = {p.name for p in store.glob("2*.nc")}
    assert 3 <= len(done) < 9
    service.reset()
    again = _command(service, str(study), "--today", "2024-06-01", "--quiet")
    printed, errors = again.communicate(timeout=120)
    assert again.returncode == 0, errors
    assert "GOOD1    complete  3287/3287" in printed
    asked = {path.split("/")[2] for path in service.requests if "GOOD1" in path}
    assert asked == {str(y) for y in range(2015, 2024)} - {name[:4] for name in done}
