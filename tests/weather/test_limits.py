"""Numeric limits of the weather room, each at its value and just beside it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.errors import DataError, ModelError
from phenofit.weather import (
    at_traps,
    check_weather,
    fetch_report,
    has_flag,
    lapse_rates,
    new_dataset,
    notes,
    observation_lags,
    read_weather,
    site_offset,
)
from phenofit.weather.quality.checks import MIN_RESIDUAL, RESIDUAL_SDS
from phenofit.weather.quality.fill_error import hide_days
from phenofit.weather.quality.station_checks import months_in_other_unit, repeated, scale_changes, spikes
from phenofit.weather.reading.hourly_table import daily_extremes, standard_offsets
from phenofit.weather.service.fetch_plan import LIST_LIFE_DAYS
from tests.weather.service import STATIONS, Service
from tests.weather.test_archive_and_hourly import STATION
from tests.weather.test_fetch import fetch, states, traps_at
from tests.weather.test_places import hills, trap
from tests.weather.test_read import days, table

nan = float("nan")
above = 1e-6


def settings_of(*settings: dict[str, Any]) -> tuple[dict[str, Any], ...]:
    """Settings to try one after the other, of any type."""
    return settings


def calendar(size: int, start: str = "2023-01-01") -> np.ndarray:
    return np.arange(size) + np.datetime64(start, "D")


# --- single checks of a series --------------------------------------------------------------------------------


def test_spike_is_more_than_eight_degrees() -> None:
    flat = np.full((1, 61), 15.0)
    for size, found in ((8.0, False), (8.0 + above, True), (-8.0, False), (-8.0 - above, True)):
        high = flat.copy()
        high[0, 30] += size
        bad = spikes(flat - 9, high, calendar(61))
        assert bad["tmax"][0].nonzero()[0].tolist() == ([30] if found else [])
        assert not bad["tmin"].any()


def test_spike_is_more_than_five_and_a_half_standard_deviations_of_changes() -> None:
    # Changes from day to day are 2 degrees throughout: a robust standard deviation of 1.4826 * 2.
    plain = 15.0 + np.tile([1.0, -1.0], 40)[None]
    limit = 5.5 * 1.4826 * 2.0
    for size, found in ((limit, False), (limit + above, True)):
        high = plain.copy()
        high[0, 40] = high[0, 39] + size  # both neighbours are equal
        assert spikes(np.full((1, 80), 0.0), high, calendar(80))["tmax"][0, 40] == found


def test_spike_is_weather_where_the_other_element_follows() -> None:
    flat = np.full((1, 61), 15.0)
    for share, found in ((0.4, True), (0.4 + above, False)):
        high, low = flat.copy(), flat - 20.0
        high[0, 30] += 10.0
        low[0, 30] += share * 10.0
        assert spikes(low, high, calendar(61))["tmax"][0, 30] == found


@pytest.mark.parametrize(
    ("usual", "wrong", "found"),
    [
        (12.0, 120.0, True),
        (2.5, 25.0, False),  # only above 25 is looked
        (2.5, 25.0 + above, True),
        (18.0, 30.0, False),  # within 12 of the course
        (10.0, 30.0, False),  # 20 off as it is
        (5.5, 25.5, False),  # 20 off as it is, and a tenth is within a quarter of that
        (5.5, 25.5 + above, True),
        (9.0, 30.0, False),  # 21 off, but a tenth is not within a quarter of that
        (7.0, 30.0, True),
    ],
)
def test_tenfold_value_fits_only_as_a_tenth(usual: float, wrong: float, found: bool) -> None:
    series = np.full((1, 40), usual)
    series[0, 20:23] = wrong
    bad = scale_changes(series, np.full((1, 40), usual))
    assert bad[0].nonzero()[0].tolist() == ([20, 21, 22] if found else [])


def test_tenfold_values_are_three_in_a_row() -> None:
    for size, found in ((2, False), (3, True)):
        series = np.full((1, 40), 12.0)
        series[0, 20 : 20 + size] = 120.0
        assert scale_changes(series, np.full((1, 40), 12.0)).any() == found
    with_gap = np.full((1, 40), 12.0)
    with_gap[0, 20:24] = [120.0, nan, 120.0, 120.0]
    assert scale_changes(with_gap, np.full((1, 40), 12.0))[0].nonzero()[0].tolist() == [20, 22, 23]


def test_run_of_equal_values_is_five_days_or_longer_where_chance_is_small() -> None:
    random = np.random.default_rng(0)
    series = random.normal(15, 5, (1, 900))
    # no two days are equal: p = 1 / (pairs + 12) in the month with the fewest days, so that 5 days are enough
    for length, found in ((4, False), (5, True)):
        made = series.copy()
        made[0, 400 : 400 + length] = 15.0
        assert repeated(made, calendar(900))[0].nonzero()[0].tolist() == (
            list(range(400, 405)) if found else []
        )


def test_run_of_four_equal_days_is_never_too_long() -> None:
    # Days that never repeat, and a run in a month of 10 days, where no chance is counted: 4 days would be enough
    # by chance, 1 + log(0.01 / 102) / log(1 / 43) = 3.5.
    for length in (4, 5):
        series = np.arange(102.0)[None]
        series[0, 95 : 95 + length] = -5.0
        found = repeated(series, calendar(102))[0].nonzero()[0].tolist()
        assert found == ([] if length == 4 else list(range(95, 100)))


def test_spike_of_a_forecast_is_left_alone() -> None:
    high = np.random.default_rng(2).normal(15.0, 1.0, (1, 61))
    high[0, 30] = 40.0
    weather = new_dataset(pd.DataFrame({"station": ["A"]}), calendar(61), high - 9.0, high)
    weather["tmin"][0, 30] = 6.0
    assert has_flag(check_weather(weather), "spike").values[0, 30]
    weather["source"][0, 30] = 4
    checked = check_weather(weather)
    assert not has_flag(checked, "spike").any()
    assert checked["tmax"].values[0, 30] == 40.0


def test_run_of_equal_values_needs_more_days_where_equal_days_are_common() -> None:
    # Whole degrees in pairs: half of the days equal the day before, so that runs of 2 and 3 are plain chance.
    series = np.repeat(np.random.default_rng(1).permutation(400), 2).astype(float)[None]
    month = calendar(800).astype("datetime64[M]").astype(int) % 12
    equal = np.diff(series[0], prepend=-1) == 0
    p = max((equal[month == m].sum() + 1) / ((month == m).sum() + 12) for m in range(12))
    need = 1 + int(np.ceil(np.log(0.01 / 800) / np.log(p)))
    assert 15 < need < 40
    for length, found in ((need - 1, False), (need, True)):
        made = series.copy()
        made[0, 301 : 301 + length] = -5.0
        assert bool(repeated(made, calendar(800))[0, 301]) == found


def test_month_in_another_unit_is_ten_degrees_off_and_four_near() -> None:
    days_of_may = slice(120, 151)
    normal = 22.5  # 72.5 in Fahrenheit
    for now, found in (
        (72.5, True),
        (76.5 - above, True),
        (76.5, False),
        (68.5 + above, True),
        (68.5, False),
    ):
        series, yearly = np.full((1, 365), normal), np.full((1, 365), normal)
        series[0, days_of_may] = now
        assert months_in_other_unit(series, yearly, calendar(365))[0, days_of_may].all() == found
    # at 40 degrees below zero both scales meet: a month is recognised from its course only when 10 degrees off
    for normal, off, found in ((-27.5, 10.0, True), (-27.5 - 0.1, 9.92, False)):
        series, yearly = np.full((1, 365), normal), np.full((1, 365), normal)
        series[0, days_of_may] = 1.8 * normal + 32.0
        assert abs(abs(series[0, 130] - normal) - off) < 1e-9
        assert months_in_other_unit(series, yearly, calendar(365))[0, days_of_may].all() == found


def test_month_in_another_unit_has_ten_days() -> None:
    for known, found in ((9, False), (10, True)):
        series, yearly = np.full((1, 365), 22.0), np.full((1, 365), 22.0)
        series[0, 120:151] = nan
        series[0, 120 : 120 + known] = 71.6
        assert months_in_other_unit(series, yearly, calendar(365)).any() == found


# --- against neighbours ---------------------------------------------------------------------------------------


def alike(size: int = 400, spread: float = 0.0, stations: int = 4, seed: int = 1) -> xr.Dataset:
    random = np.random.default_rng(seed)
    common = np.repeat(random.normal(0, 5, size // 2), 2)  # in pairs, so that no day is a spike
    high = 20 + common[None] + spread * random.normal(0, 1, (stations, size))
    places = pd.DataFrame(
        {
            "station": [f"S{i}" for i in range(stations)],
            "latitude": 46 + 0.1 * np.arange(stations),
            "longitude": 8.0,
        }
    )
    return new_dataset(places, calendar(size), high - 9, high)


def test_day_unlike_its_neighbours_is_off_by_more_than_six_degrees() -> None:
    assert (MIN_RESIDUAL, RESIDUAL_SDS) == (6.0, 6.0)
    # a wrong day changes the course and the regression a little: what counts is the residual left of it
    found = {}
    for size in (4.0, 5.5, 6.5, 9.0):
        weather = alike()
        weather["tmax"][0, 200] += size
        found[size] = has_flag(
            check_weather(weather, checks=["unlike_neighbours"]), "unlike_neighbours"
        ).values[0, 200]
    assert found == {4.0: False, 5.5: False, 6.5: True, 9.0: True}


def test_day_unlike_its_neighbours_is_off_by_more_than_six_standard_deviations() -> None:
    found = {}
    for size in (8.0, 20.0):
        weather = alike(spread=2.0)
        weather["tmax"][0, 200] += size
        found[size] = has_flag(
            check_weather(weather, checks=["unlike_neighbours"]), "unlike_neighbours"
        ).values[0, 200]
    assert found == {8.0: False, 20.0: True}


@pytest.mark.parametrize(("stations", "found"), [(2, False), (3, True)])
def test_two_neighbours_are_needed_to_doubt_a_day(stations: int, found: bool) -> None:
    weather = alike(stations=stations)
    weather["tmax"][0, 200] += 12.0
    checked = check_weather(weather, checks=["unlike_neighbours"])
    assert bool(has_flag(checked, "unlike_neighbours").values[0, 200]) == found
    assert not has_flag(checked, "unlike_neighbours").values[1:].any()


def test_of_two_neighbours_both_must_disagree() -> None:
    weather = alike(stations=3)
    weather["tmax"][1, 200] += 30.0  # one neighbour is wrong: the mean of the two is, but not the other
    checked = check_weather(weather, checks=["unlike_neighbours"])
    assert has_flag(checked, "unlike_neighbours").values[:, 200].tolist() == [False, True, False]


def test_thirty_days_with_two_neighbours_are_needed() -> None:
    for common, found in ((29, False), (30, True)):
        weather = alike(stations=3)
        weather["tmax"][1, 130:] = nan
        weather["tmax"][2, : 130 - common] = nan
        weather["tmax"][0, 128] += 12.0  # one of the days that both neighbours have
        checked = check_weather(weather, checks=["unlike_neighbours"])
        assert bool(has_flag(checked, "unlike_neighbours").values[0, 128]) == found


def test_late_observer_is_clearly_late_over_enough_days() -> None:
    random = np.random.default_rng(5)
    common = random.normal(20, 5, 366)
    for known, told in ((119, 0), (120, 1)):
        high = np.stack([common, common, np.roll(common, 1)])
        high[2, known + 1 :] = nan
        high[2, 0] = nan
        places = pd.DataFrame({"station": list("ABC"), "latitude": [46.0, 46.1, 46.2], "longitude": 8.0})
        weather = new_dataset(places, calendar(366), high - 9, high)
        table = observation_lags(weather)
        late = table[table["station"] == "C"]
        assert len(late) == told
        assert late["late"].all()
        assert not table.loc[table["station"] != "C", "late"].any()


# --- readers --------------------------------------------------------------------------------------------------


def test_hours_of_a_day_are_limited_at_their_value() -> None:
    hours = np.arange("2024-05-01", "2024-05-02", dtype="datetime64[h]")
    for least, missing in ((20, False), (21, True)):
        rows = daily_extremes(np.full(20, "A"), hours[:20], np.arange(20.0), minimum_hours=least)
        assert np.isnan(rows.tmin).tolist() == [missing]
        assert any("days have fewer than" in n for n in rows.notes) == missing
    for setting in (
        {"minimum_hours": 0},
        {"minimum_hours": 25},
        {"day_starts": -above},
        {"day_starts": 24.0},
    ):
        with pytest.raises(
            ModelError, match="minimum_hours must be 1 to 24, and day_starts from 0 to below 24"
        ):
            daily_extremes(np.full(24, "A"), hours, np.arange(24.0), **setting)
    for setting in settings_of(
        {"minimum_hours": 1}, {"minimum_hours": 24}, {"day_starts": 0.0}, {"day_starts": 23.99}
    ):
        daily_extremes(np.full(24, "A"), hours, np.arange(24.0), **setting)


def test_hours_count_once_and_only_with_a_value() -> None:
    times = np.array(
        [f"2024-05-01T{h:02d}:{m:02d}" for h in range(10) for m in (0, 30)], dtype="datetime64[m]"
    )
    values = np.arange(20.0)
    values[:2] = nan
    for least, missing in ((9, False), (10, True)):
        rows = daily_extremes(np.full(20, "A"), times, values, minimum_hours=least)
        assert np.isnan(rows.tmax).tolist() == [missing]


def test_day_begins_at_its_hour() -> None:
    times = np.array(["2024-05-01T08:59", "2024-05-01T09:00", "2024-05-02T08:59"], dtype="datetime64[m]")
    rows = daily_extremes(np.full(3, "A"), times, np.array([1.0, 2.0, 3.0]), day_starts=9.0, minimum_hours=1)
    assert rows.date.astype(str).tolist() == ["2024-04-30", "2024-05-01"]
    assert rows.tmax.tolist() == [1.0, 3.0]


def test_offset_from_utc_is_fourteen_hours_at_most() -> None:
    for hours in (14.0, -14.0):
        assert standard_offsets(np.array(["A"]), hours, "f").astype(int).tolist() == [int(hours * 3600)]
    for hours in (14.01, -14.01, nan):
        with pytest.raises(ModelError, match="between -14 and 14 hours"):
            standard_offsets(np.array(["A"]), hours, "f")


@pytest.mark.parametrize(("hour", "morning"), [("0259", 0), ("0300", 1), ("1059", 1), ("1100", 0)])
def test_morning_is_from_three_to_before_eleven(tmp_path: Path, hour: str, morning: int) -> None:
    path = tmp_path / "x.csv"
    path.write_text(f"{STATION},20240602,TMAX,241,,,S,{hour}\n", encoding="ascii")
    assert any("were read in the morning" in n for n in notes(read_weather(path, form="ghcn-daily"))) == bool(
        morning
    )


def test_records_are_accepted_at_their_value(tmp_path: Path) -> None:
    text = days("A", "2024-11-01", [-90.0, -90.1, 5.0, 5.0], [-80.0, -80.0, 60.0, 60.1])
    weather = read_weather(table(tmp_path, text), unit="degC")
    assert has_flag(weather, "out_of_range").values.tolist() == [[False, True, False, True]]
    equal = read_weather(table(tmp_path, days("A", "2024-11-01", [5.0, 5.1], [5.0, 5.0])), unit="degC")
    assert has_flag(equal, "minimum_above_maximum").values.tolist() == [[False, True]]


# --- places ---------------------------------------------------------------------------------------------------


def test_change_with_height_needs_five_stations_and_two_hundred_metres() -> None:
    for count, fitted in ((4, False), (5, True)):
        assert lapse_rates(hills(count)).notna().to_numpy().all() == fitted
    for range_m, fitted in ((199.0, False), (200.0, True)):
        weather = hills(5)
        weather = weather.assign_coords(elevation=("station", np.linspace(100, 100 + range_m, 5)))
        assert lapse_rates(weather).notna().to_numpy().all() == fitted


def test_change_with_height_uses_days_with_three_stations() -> None:
    for present, fitted in ((2, False), (3, True)):
        weather = hills(5)
        for element in ("tmin", "tmax"):
            weather[element][present:, :] = nan
        assert lapse_rates(weather).notna().to_numpy().all() == fitted


def test_reach_of_a_trap_is_limited_at_its_value() -> None:
    from phenofit.globe import distance_km

    weather = hills(3)
    apart = distance_km(46.12, 8.0, weather["latitude"].values, weather["longitude"].values)
    for how in ("nearest", "interpolated"):
        at_traps(trap(), weather, how=how, max_distance_km=float(apart.min()))
        with pytest.raises(DataError):
            at_traps(trap(), weather, how=how, max_distance_km=float(np.nextafter(apart.min(), 0)))
    with pytest.raises(ModelError, match="stations 1 or more, power 0 or more"):
        at_traps(trap(), weather, how="interpolated", stations=0)
    with pytest.raises(ModelError, match="stations 1 or more, power 0 or more"):
        at_traps(trap(), weather, how="interpolated", power=-above)
    one = at_traps(trap(), weather, how="interpolated", stations=1, lapse=None, power=0.0)
    np.testing.assert_array_equal(one["tmin"].values[0], weather["tmin"].values[np.argmin(apart)])


def test_logger_needs_thirty_common_days() -> None:
    weather = hills(3, noise=1.0)
    for size, enough in ((29, False), (30, True)):
        logger = weather.isel(station=[1], time=slice(0, size))
        if enough:
            assert site_offset(logger, weather, "S0")["days"].tolist() == [30, 30]
        else:
            with pytest.raises(ModelError, match="only 29 common days of tmin; 30 or more are needed"):
                site_offset(logger, weather, "S0")


# --- hidden days ----------------------------------------------------------------------------------------------


def test_share_and_length_of_hidden_days() -> None:
    weather = alike(stations=1)
    _, hidden = hide_days(weather, share=0.5, longest=1, seed=1)
    assert hidden.sum() == 200  # of 400 days, one after the other
    for settings in settings_of({"share": 0.0}, {"share": 0.5 + above}, {"longest": 0}):
        with pytest.raises(ModelError, match="share must be above 0 and at most"):
            hide_days(weather, seed=1, **settings)
    _, runs = hide_days(weather, share=0.05, longest=3, seed=1)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], runs[0].astype(int), [0]])))
    assert (edges[1::2] - edges[::2]).max() <= 6  # two runs of three may touch
    for known, any_hidden in ((9, False), (10, True)):
        short = alike(stations=1)
        for element in ("tmin", "tmax"):
            short[element][0, known:] = nan
        assert hide_days(short, share=0.5, seed=1)[1].any() == any_hidden


# --- the service ----------------------------------------------------------------------------------------------


def test_station_is_given_up_after_two_silent_years_in_a_row(service: Service, tmp_path: Path) -> None:
    weather = fetch(traps_at("DOWN1", "GOOD1", given=True), tmp_path, years=(2020, 2023), attempts=1)
    assert sum("DOWN1" in path for path in service.requests) == 2
    assert states(weather) == {"DOWN1": "unreachable", "GOOD1": "complete"}
    detail = fetch_report(weather).set_index("station")["detail"]["DOWN1"]
    assert detail.startswith("2020 to 2021: not asked for, after the server answered 503")


def test_other_stations_are_given_up_after_three_silent_ones(
    service: Service, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for silent, asked in ((3, 0), (2, 1)):
        for i in range(silent):
            monkeypatch.setitem(STATIONS, f"DEAD{i}", ("Dead End", 50.0 + i, 6.6, 500.0))
        names = [*(f"DEAD{i}" for i in range(silent)), "GOOD1"]
        service.reset()
        weather_traps = traps_at(*names, given=True)
        if asked:
            weather = fetch(
                weather_traps, tmp_path / str(silent), years=(2023, 2023), attempts=1, requests_at_once=1
            )
            assert states(weather)["GOOD1"] == "complete"
        else:
            with pytest.raises(Exception, match="Station server unreachable"):
                fetch(
                    weather_traps, tmp_path / str(silent), years=(2023, 2023), attempts=1, requests_at_once=1
                )
        assert service.requests["/daily/2023/GOOD1.csv.gz"] == asked


def test_list_of_stations_is_loaded_again_after_its_life(service: Service, tmp_path: Path) -> None:
    assert LIST_LIFE_DAYS == 30
    traps = traps_at("GOOD1", given=True)
    for today, loaded in (("2024-10-05", 1), ("2024-11-04", 1), ("2024-11-05", 2)):
        fetch(traps, tmp_path, years=(2022, 2022), today=today)
        assert service.requests["/stations.db"] == loaded


def test_settings_of_a_fetch_at_their_limits(service: Service, tmp_path: Path) -> None:
    traps = traps_at("GOOD1", given=True)
    for settings in (
        {"requests_at_once": 0},
        {"requests_at_once": 5},
        {"attempts": 0},
        {"years": (1749, 2022)},
    ):
        with pytest.raises(ModelError):
            fetch(traps, tmp_path, **settings)
    for settings in settings_of({"max_distance_km": 0.0}, {"candidates": 0}):
        with pytest.raises(ModelError):
            fetch(traps, tmp_path, **settings)
    for settings in settings_of({"requests_at_once": 1}, {"requests_at_once": 4}, {"attempts": 1}):
        fetch(traps, tmp_path, **settings)
    # the last year may be the one of the run date, and a later one is cut off there
    weather = fetch(traps, tmp_path, years=(2024, 2030))
    assert str(weather["time"].values[-1])[:10] == "2024-10-05"
    with pytest.raises(ModelError, match="after the run date"):
        fetch(traps, tmp_path, years=(2025, 2030))
