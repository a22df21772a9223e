"""The rules of filling one by one: limits at their value, and neighbours against a sum written out in full."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.errors import ModelError
from phenofit.globe import distance_km
from phenofit.seasons import Season
from phenofit.weather import fill_weather, filled_share, has_flag, new_dataset, notes
from phenofit.weather.quality.neighbours import (
    DAYS_PER_YEAR,
    MAX_NEIGHBOURS,
    MIN_CORRELATION,
    MIN_OVERLAP,
    Neighbourhood,
    course,
    estimates,
    neighbourhood,
)
from tests.weather.test_fill import nan, one


def two(low: list[float], high: list[float], start: str = "2024-05-01") -> xr.Dataset:
    """One station with minima and maxima of its own."""
    days = np.arange(len(high)) + np.datetime64(start, "D")
    return new_dataset(pd.DataFrame({"station": ["A"]}), days, np.array([low]), np.array([high]))


# --- a line over short gaps -----------------------------------------------------------------------------------


@pytest.mark.parametrize("longest", [1, 2, 3, 5])
def test_gap_of_the_longest_length_is_filled_and_one_day_more_is_not(longest: int) -> None:
    for length, filled in ((longest, True), (longest + 1, False)):
        high = [10.0, *[nan] * length, 20.0, 21.0]
        result = fill_weather(one(high), max_gap_days=longest, max_share=1.0)["tmax"].values[0]
        inside = result[1 : length + 1]
        expected = 10.0 + 10.0 * np.arange(1, length + 1) / (length + 1) if filled else np.full(length, nan)
        np.testing.assert_allclose(inside, expected)
        assert result[[0, -2, -1]].tolist() == [10.0, 20.0, 21.0]


def test_each_gap_is_measured_by_itself() -> None:
    high = [1.0, nan, 3.0, nan, nan, nan, 7.0, nan, nan, 10.0]
    result = fill_weather(one(high), max_gap_days=2, max_share=1.0)["tmax"].values[0]
    np.testing.assert_allclose(result, [1, 2, 3, nan, nan, nan, 7, 8, 9, 10])


def test_line_runs_between_the_days_beside_the_gap() -> None:
    result = fill_weather(one([0.0, 30.0, nan, nan, 12.0, 90.0]), max_gap_days=2, max_share=1.0)
    np.testing.assert_allclose(result["tmax"].values[0], [0, 30, 24, 18, 12, 90])


def test_limits_of_the_settings() -> None:
    for settings in ({"max_gap_days": 0}, {"max_share": -1e-9}, {"max_share": 1 + 1e-9}, {"max_share": nan}):
        with pytest.raises(ModelError, match="max_gap_days must be 1 or more, and max_share from 0 to 1"):
            fill_weather(one([1.0, 2.0]), **settings)
    for settings in ({"max_gap_days": 1}, {"max_share": 0.0}, {"max_share": 1.0}):
        fill_weather(one([1.0, 2.0]), **settings)


def test_elements_are_filled_apart_and_the_flag_says_what_is_missing() -> None:
    weather = two([1.0, nan, nan, nan, 5.0], [11.0, 12.0, nan, 14.0, 15.0])
    result = fill_weather(weather, max_gap_days=2, max_share=1.0)
    np.testing.assert_allclose(result["tmin"].values[0], [1, nan, nan, nan, 5])
    np.testing.assert_allclose(result["tmax"].values[0], [11, 12, 13, 14, 15])
    assert result["source"].values[0].tolist() == [1, 0, 0, 0, 1]
    assert has_flag(result, "interpolated").values[0].tolist() == [False, False, True, False, False]
    assert has_flag(result, "incomplete_day").values[0].tolist() == [False, True, True, True, False]
    whole = fill_weather(weather, max_gap_days=3, max_share=1.0)
    assert whole["source"].values[0].tolist() == [1, 3, 3, 3, 1]
    assert not has_flag(whole, "incomplete_day").any()
    assert notes(whole) == ["Days filled from a line over short gaps: 3."]


def test_flags_of_before_stay() -> None:
    weather = two([1.0, 2.0, nan, 4.0], [11.0, 12.0, nan, 14.0])
    weather["flag"][0, 2] = 128  # a spike that a check has set aside
    result = fill_weather(weather, max_share=1.0)
    assert result["flag"].values[0].tolist() == [0, 0, 128 + 4096, 0]


def test_filled_minimum_may_equal_the_maximum_and_not_exceed_it() -> None:
    for after, filled in ((8.0, True), (8.0 + 1e-9, False)):  # the line from 4 gives 6 on the day between
        result = fill_weather(two([4.0, nan, after], [9.0, 6.0, 9.0]), max_share=1.0)
        assert bool(np.isnan(result["tmin"].values[0, 1])) is not filled
        assert result["tmax"].values[0, 1] == 6.0  # what was observed stays
        assert result["source"].values[0, 1] == (3 if filled else 0)
        assert has_flag(result, "interpolated").values[0, 1] == filled
        assert has_flag(result, "incomplete_day").values[0, 1] != filled


def test_where_both_are_filled_and_cross_neither_is_believed() -> None:
    # The minimum runs over one day from 9 to 1; the maximum over three from 10 to 1: they cross on the middle one.
    low = [1.0, 9.0, nan, 1.0, 0.0, 0.0]
    high = [9.5, nan, nan, nan, 1.0, 20.0]
    result = fill_weather(two(low, high), max_share=1.0)
    lines = np.interp([1, 2, 3], [0, 4], [9.5, 1.0])
    np.testing.assert_allclose(lines, [7.375, 5.25, 3.125])
    # day 1: the minimum of 9 was observed, and stays; day 2: the minimum of 5 is below 5.25
    np.testing.assert_allclose(result["tmin"].values[0], [1, 9, 5, 1, 0, 0])
    np.testing.assert_allclose(result["tmax"].values[0], [9.5, nan, 5.25, 3.125, 1, 20])
    low[3] = 1.6  # now the minimum of day 2 is 5.3
    undone = fill_weather(two(low, high), max_share=1.0)
    assert np.isnan(undone["tmin"].values[0, 2])
    assert np.isnan(undone["tmax"].values[0, 2])
    assert undone["source"].values[0].tolist() == [1, 0, 0, 3, 1, 1]
    assert notes(undone) == ["Days filled from a line over short gaps: 1."]


# --- the share of a season ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("season", "days"), [(None, 366), (("04-01", "05-10"), 40)])
def test_share_of_filled_days_is_limited_at_its_value(season: tuple[str, str] | None, days: int) -> None:
    calendar = np.arange(np.datetime64("2023-01-01"), np.datetime64("2025-01-01"))
    high = np.full((1, len(calendar)), 20.0)
    gaps = np.flatnonzero(np.isin(calendar, np.array(["2024-04-05", "2024-04-10"], dtype="datetime64[D]")))
    high[0, gaps] = nan
    weather = new_dataset(pd.DataFrame({"station": ["A"]}), calendar, high - 9, high)
    window = None if season is None else Season.parse(*season)
    at = 2 / days
    kept = fill_weather(weather, season=window, max_share=at)
    assert (kept["source"].values[0, gaps] == 3).all()
    assert notes(kept) == ["Days filled from a line over short gaps: 2."]
    below = fill_weather(weather, season=window, max_share=float(np.nextafter(at, 0)))
    assert np.isnan(below["tmax"].values[0, gaps]).all()
    assert (below["source"].values[0, gaps] == 0).all()
    assert not has_flag(below, "interpolated").any()
    (line,) = notes(below)
    assert f"Station 'A', season 2024: {100 * at:.0f} % of the days would be filled" in line
    assert f"more than {100 * at:.0f} %" in line


def test_days_outside_the_season_neither_count_nor_are_undone() -> None:
    calendar = np.arange(np.datetime64("2024-01-01"), np.datetime64("2024-12-31"))
    high = np.full((2, len(calendar)), 20.0)
    spring, autumn = 100, 320
    high[0, spring] = high[0, autumn : autumn + 3] = nan
    weather = new_dataset(pd.DataFrame({"station": ["A", "B"]}), calendar, high - 9, high)
    result = fill_weather(
        weather, methods=("interpolation",), season=Season.parse("04-01", "05-10"), max_share=0.0
    )
    assert np.isnan(result["tmax"].values[0, spring])
    assert (result["source"].values[0, autumn : autumn + 3] == 3).all()
    assert (result["source"].values[1] == 1).all()
    assert notes(result)[0] == "Days filled from a line over short gaps: 3."
    assert len(notes(result)) == 2


def test_a_day_with_one_filled_element_counts_as_filled() -> None:
    weather = two([1.0, nan, 3.0, 4.0], [11.0, 12.0, nan, 14.0])
    kept = fill_weather(weather, max_share=0.5)
    assert kept["source"].values[0].tolist() == [1, 3, 3, 1]
    undone = fill_weather(weather, max_share=0.49)
    assert undone["source"].values[0].tolist() == [1, 0, 0, 1]
    assert undone["tmax"].values[0, 1] == 12.0  # the observed half of a day stays
    assert undone["tmin"].values[0, 2] == 3.0


def test_shares_of_a_season_add_up() -> None:
    weather = two([1.0, nan, 3.0, nan, nan, 6.0], [11.0, nan, 13.0, nan, nan, 16.0])
    weather["source"][0, 0] = 2
    filled = fill_weather(weather, max_gap_days=1, max_share=1.0)
    row = filled_share(filled).iloc[0].to_dict()
    assert row == {
        "station": "A",
        "season": "2024",
        "days": 6,
        "observed": pytest.approx(2 / 6),
        "modelled": pytest.approx(1 / 6),
        "filled": pytest.approx(1 / 6),
        "missing": pytest.approx(2 / 6),
    }


# --- neighbours -----------------------------------------------------------------------------------------------


def network(days: int, seed: int, stations: int = 7) -> xr.Dataset:
    """Stations that share a weather, with noise and height of their own, and a tenth of the days missing."""
    random = np.random.default_rng(seed)
    calendar = np.arange(days) + np.datetime64("2021-03-05", "D")
    common = np.cumsum(random.normal(0, 1.5, days))
    common -= np.convolve(np.pad(common, 20, mode="edge"), np.ones(41) / 41, mode="valid")
    season = 10 - 9 * np.cos(2 * np.pi * np.arange(days) / 365.25)
    scale = random.uniform(0.7, 1.4, (stations, 1))
    high = season + 12 - 3 * np.arange(stations)[:, None] + scale * common
    high = high + random.normal(0, 1, (stations, days)) * random.uniform(0.3, 1.2, (stations, 1))
    low = high - 9 - random.normal(0, 1, (stations, days))
    high[random.random((stations, days)) < 0.1] = nan
    low[random.random((stations, days)) < 0.1] = nan
    places = pd.DataFrame(
        {
            "station": [f"S{i}" for i in range(stations)],
            "latitude": 46.0 + 0.2 * np.arange(stations),
            "longitude": 8.0,
        }
    )
    return new_dataset(places, calendar, low, high)


def yearly_course(series: np.ndarray, calendar: np.ndarray) -> np.ndarray:
    """Least squares of two or three waves, twice, the second time without far days; one station, by lstsq."""
    known = ~np.isnan(series)
    waves = 3 if known.sum() >= 2 * DAYS_PER_YEAR - 1 else 2
    phase = 2 * np.pi * (calendar.astype(int) % DAYS_PER_YEAR) / DAYS_PER_YEAR
    basis = np.column_stack(
        [np.ones(len(phase)), *(f(k * phase) for k in range(1, waves + 1) for f in (np.cos, np.sin))]
    )
    use = known
    for _ in range(2):
        fitted: np.ndarray = basis @ np.linalg.lstsq(basis[use], series[use], rcond=None)[0]
        off = np.abs(series - fitted)
        use = known & (off <= 4 * 1.4826 * np.median(off[known]) + 1e-9)
    return fitted


def written_out(weather: xr.Dataset, element: str, reach: float) -> tuple[np.ndarray, np.ndarray]:
    """Estimates from neighbours and the best donor, one station, neighbour and day after the other."""
    values = weather[element].values
    calendar = weather["time"].values.astype("datetime64[D]")
    lat, lon = weather["latitude"].values, weather["longitude"].values
    base = np.stack([yearly_course(series, calendar) for series in values])
    off = values - base
    estimate, donor = np.full(values.shape, nan), np.full(values.shape, -1)
    for i in range(len(values)):
        ranked = []
        for j in range(len(values)):
            both = ~np.isnan(off[i]) & ~np.isnan(off[j])
            if i == j or both.sum() < MIN_OVERLAP or distance_km(lat[i], lon[i], lat[j], lon[j]) > reach:
                continue
            r = np.corrcoef(off[i][both], off[j][both])[0, 1]
            slope = np.polyfit(off[j][both], off[i][both], 1)[0]
            error = np.sqrt(max(np.nanvar(off[i]) * (1 - r**2), 1e-4))
            if r >= MIN_CORRELATION:
                ranked.append((error, j, slope))
        for day in range(values.shape[1]):
            parts = [(e, j, s) for e, j, s in sorted(ranked)[:MAX_NEIGHBOURS] if not np.isnan(off[j, day])]
            if parts:
                weights = np.array([1 / e**2 for e, _, _ in parts])
                moved = np.array([s * off[j, day] for _, j, s in parts])
                estimate[i, day] = base[i, day] + (weights * moved).sum() / weights.sum()
                donor[i, day] = parts[0][1]
    return estimate, donor


@pytest.mark.parametrize(("days", "reach"), [(450, 60.0), (450, 500.0), (900, 500.0)])
def test_filling_from_neighbours_is_the_sum_written_out(days: int, reach: float) -> None:
    weather = network(days, seed=days)
    filled = fill_weather(weather, methods=("neighbours",), max_distance_km=reach, max_share=1.0)
    ids = weather["station"].values
    inside = np.zeros((7, days), dtype=bool)
    for i, source in enumerate(weather["source"].values):
        known = np.flatnonzero(source)
        inside[i, known[0] : known[-1] + 1] = True
    expected, donors = {}, {}
    for element in ("tmin", "tmax"):
        estimate, donors[element] = written_out(weather, element, reach)
        values = weather[element].values
        expected[element] = np.where(np.isnan(values) & inside, estimate, values)
        new = np.isnan(values) & ~np.isnan(expected[element])
        donors[element] = np.where(new, donors[element], -1)
        assert new.sum() > 100
    crossed = expected["tmin"] > expected["tmax"]
    assert not crossed.any()
    for element in ("tmin", "tmax"):
        np.testing.assert_allclose(filled[element].values, expected[element], atol=1e-8)
    best = np.where(donors["tmax"] >= 0, donors["tmax"], donors["tmin"])
    named = np.where(best >= 0, ids[np.maximum(best, 0)], "")
    assert (filled["donor"].values == named).all()
    assert (has_flag(filled, "filled_from_neighbours").values == (best >= 0)).all()
    assert notes(filled) == [f"Days filled from neighbours: {int((best >= 0).sum())}."]


def test_order_of_the_methods_is_that_asked_for() -> None:
    weather = network(450, seed=1)
    weather["tmax"][0, 100:103] = nan
    weather["tmin"][0, 100:103] = nan
    weather["source"][0, 100:103] = 0
    first = fill_weather(weather, methods=("neighbours", "interpolation"), max_share=1.0)
    assert has_flag(first, "filled_from_neighbours").values[0, 100:103].all()
    line = fill_weather(weather, methods=("interpolation", "neighbours"), max_gap_days=9, max_share=1.0)
    assert has_flag(line, "interpolated").values[0, 100:103].all()
    assert not has_flag(line, "filled_from_neighbours").values[0, 100:103].any()
    assert (line["donor"].values[0, 100:103] == "").all()
    assert fill_weather(weather, methods=(), max_share=1.0)["tmax"].equals(weather["tmax"])


def test_what_neighbours_leave_of_a_gap_is_measured_anew() -> None:
    weather = network(450, seed=1, stations=2)
    for element in ("tmin", "tmax"):
        weather[element][0, 100:104] = nan
        weather[element][1, 100:104] = [nan, 5.0, 6.0, nan]
        weather[element][:, [99, 104]] = 9.0
    weather["source"][0, 100:104] = 0
    result = fill_weather(weather, max_gap_days=1, max_share=1.0)
    kinds = [has_flag(result, name).values[0, 100:104] for name in ("filled_from_neighbours", "interpolated")]
    assert [kind.tolist() for kind in kinds] == [[False, True, True, False], [True, False, False, True]]


def test_estimate_of_neighbours_that_crosses_an_observed_value_is_undone() -> None:
    weather = network(450, seed=1)
    weather["tmin"][0, 100] = nan
    weather["tmin"][1:, 100] = 12.0
    weather["source"][0, 100] = 0
    for highest, believed in ((40.0, True), (-20.0, False)):
        weather["tmax"][0, 100] = highest
        day = fill_weather(weather, methods=("neighbours",), max_share=1.0).isel(station=0, time=100)
        assert bool(day["tmin"].notnull()) == believed
        assert float(day["tmax"]) == highest
        assert int(day["source"]) == (3 if believed else 0)
        assert (str(day["donor"].values) != "") == believed
        assert bool(has_flag(day, "filled_from_neighbours")) == believed


def test_no_line_to_a_forecast_day() -> None:
    weather = one([10.0, nan, 14.0, nan, 20.0])
    weather["source"][0, 4] = 4
    result = fill_weather(weather, max_share=1.0)
    np.testing.assert_allclose(result["tmax"].values[0], [10, 12, 14, nan, 20])


def test_neighbour_is_reached_at_the_limit_of_distance() -> None:
    weather = network(450, seed=2, stations=2)
    apart = float(distance_km(46.0, 8.0, 46.2, 8.0))
    near = fill_weather(weather, methods=("neighbours",), max_distance_km=apart, max_share=1.0)
    assert has_flag(near, "filled_from_neighbours").any()
    far = fill_weather(
        weather, methods=("neighbours",), max_distance_km=float(np.nextafter(apart, 0)), max_share=1.0
    )
    assert not has_flag(far, "filled_from_neighbours").any()


def test_neighbour_needs_sixty_common_days() -> None:
    random = np.random.default_rng(3)
    anomaly = random.normal(0, 3, 120)
    for common, used in ((MIN_OVERLAP, True), (MIN_OVERLAP - 1, False)):
        values = np.stack([anomaly, 0.8 * anomaly])
        values[1, common:] = nan
        weather = new_dataset(
            pd.DataFrame({"station": ["A", "B"]}),
            np.arange(120) + np.datetime64("2024-03-01"),
            values,
            values + 9,
        )
        near = neighbourhood(values, weather, yearly=np.zeros(values.shape))
        assert (near.order[0] == 1).any() == used
        assert MIN_OVERLAP == 60


def test_neighbour_needs_a_correlation_of_six_tenths() -> None:
    x = np.tile([1.0, -1.0, 1.0, -1.0], 20)
    e = np.tile([1.0, 1.0, -1.0, -1.0], 20)  # uncorrelated with x, of the same variance
    for r, used in ((0.6 + 1e-9, True), (0.6 - 1e-9, False), (-0.9, False)):
        values = np.stack([x, r * x + np.sqrt(1 - r * r) * e])
        weather = new_dataset(
            pd.DataFrame({"station": ["A", "B"]}),
            np.arange(80) + np.datetime64("2024-03-01"),
            values,
            values + 9,
        )
        near = neighbourhood(values, weather, yearly=np.zeros(values.shape))
        assert (near.order[0] == 1).any() == used


def test_five_neighbours_are_used_and_the_best_come_first() -> None:
    random = np.random.default_rng(4)
    base = random.normal(0, 3, 200)
    noise = np.array([0.0, 0.9, 0.1, 0.7, 0.3, 0.5, 1.1])
    values = np.stack([base + s * random.normal(0, 1, 200) for s in noise])
    weather = new_dataset(
        pd.DataFrame({"station": list("ABCDEFG")}),
        np.arange(200) + np.datetime64("2024-03-01"),
        values,
        values + 9,
    )
    near = neighbourhood(values, weather, yearly=np.zeros(values.shape))
    assert near.order[0].tolist() == [2, 4, 5, 3, 1]


def test_estimate_is_the_precision_weighted_mean() -> None:
    near = Neighbourhood(
        course=np.array([[10.0, 20.0, 30.0], [0, 0, 0], [0, 0, 0]]),
        anomaly=np.array([[nan, nan, nan], [2.0, nan, nan], [-1.0, 4.0, nan]]),
        order=np.array([[1, 2], [-1, -1], [-1, -1]]),
        slope=np.array([[0, 0.5, 3.0], [0, 0, 0], [0, 0, 0]]),
        error=np.array([[1, 1.0, 2.0], [1, 1, 1], [1, 1, 1]]),
    )
    estimate, single, donor = estimates(near)
    # day 1: 0.5 * 2 = 1 with weight 1, 3 * -1 = -3 with weight 1/4: (1 - 0.75) / 1.25 = 0.2; day 2: 3 * 4 alone
    np.testing.assert_allclose(estimate[0], [10.2, 32.0, nan])
    np.testing.assert_allclose(single[:, 0], [[11.0, nan, nan], [7.0, 32.0, nan]])
    assert donor[0].tolist() == [1, 2, -1]
    assert np.isnan(estimate[1:]).all()


@pytest.mark.parametrize(
    ("known", "kind"), [(364, "median"), (365, "two waves"), (729, "two waves"), (730, "three waves")]
)
def test_yearly_course_by_the_days_there_are(known: int, kind: str) -> None:
    """From one year of days on (364.2 of them) two waves, from two years (729.5) three, else a running median."""
    random = np.random.default_rng(known)
    calendar = np.arange(800) + np.datetime64("2021-01-01", "D")
    series = 10 + 8 * np.sin(np.arange(800) / 58.0) + random.normal(0, 2, 800)
    series[known:] = nan
    series[50] += 60.0  # a wrong day, which the second pass leaves out
    found = course(series[None], calendar)[0]
    if kind == "median":
        expected = [
            np.nanmedian(series[max(0, d - 15) : d + 16]) if d < known + 15 else nan for d in range(800)
        ]
        np.testing.assert_allclose(found, expected)
    else:
        np.testing.assert_allclose(found, yearly_course(series, calendar), atol=1e-8)
