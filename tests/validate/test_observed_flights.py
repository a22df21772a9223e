"""Observed dates by hand: two flights separated by heat, gaps, traps set late; limits at their value.

Every expected date is computed by hand from the counts and the constant weather stated here.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.errors import ModelError
from phenofit.flight import FlightFit
from phenofit.seasons import Season
from phenofit.traps import TrapYears
from phenofit.validate.observed import Observed, split_heat
from tests.calls import observed_events
from tests.forecast.fits import small_fit
from tests.validate.test_observed import one, record, why

SEASON = Season.parse("05-01", "10-31")
LINKS = pd.DataFrame({"trap": ["A"], "station": ["S"]})
# 20 degC all day and a base of 10 degC: 10 degC d a day.
COUNTS: list[float] = [2, 10, 14, 20, 8, 0]


def weather(*, missing: str | None = None) -> xr.Dataset:
    days = pd.date_range("2020-01-01", "2020-12-31")
    values = np.full((1, len(days)), 20.0)
    if missing is not None:
        values[0, days == missing] = np.nan
    data = {name: (("station", "time"), values, {"units": "degC"}) for name in ("tmin", "tmax")}
    return xr.Dataset(data, {"station": ["S"], "time": days})


def two_flights(requirements: tuple[float, float] = (100.0, 300.0), *, biofix: bool = False) -> FlightFit:
    """Return a fit with spreads 20 and 60: the flights separate a quarter of the way, at 150 degC d."""
    settings = replace(small_fit().settings, flights=2, season=SEASON, biofix=biofix)
    first, second = requirements
    parameters = {
        "base": 10.0, "requirement_1": first, "requirement_2": second, "spread_1": 20.0, "spread_2": 60.0,
    }  # fmt: skip
    return replace(small_fit(), settings=settings, parameters=parameters)


def seen(
    counts: list[float], *events: str, fit: FlightFit | None = None, data: xr.Dataset | None = None, **more: object
) -> Observed:  # fmt: skip
    return observed_events(
        record(counts),
        events=list(events),
        fit=fit or two_flights(),
        weather=weather() if data is None else data,
        links=LINKS,
        season=SEASON,
        **more,  # type: ignore[arg-type]
    )


def dates(found: Observed) -> dict[tuple[int, str], tuple[str, ...]]:
    rows = found.table.to_dict("records")
    return {
        (r["flight"], r["event"]): tuple(str(r[c])[:16] for c in ("observed_from", "observed_to", "observed"))
        for r in rows
    }


def test_flights_separate_as_many_spreads_above_one_as_below_the_next() -> None:
    assert split_heat(two_flights()) == (150.0,)


def test_two_flights_by_hand() -> None:
    # 150 degC d are reached 15 days after 1 May: on 16 May at midnight, half a day into the third check of 14 moths.
    # Flight 1: 2 + 10 + 14/14 = 13 moths. Half, 6.5, is 4.5 of 10 into the second check: 3.15 days after 8 May 12:00.
    # 95 %, 12.35, is 0.35 into the half day of the third check: 4 h 12 min after 15 May 12:00.
    # Flight 2: 13 + 20 + 8 = 41 moths. Half, 20.5, is 7.5 of 20 into its second check: 2.625 days after 22 May 12:00.
    # 95 %, 38.95, is 5.95 of 8 into the third: 5.20625 days after 29 May 12:00.
    found = seen(COUNTS, "flight_50", "flight_95")
    assert dates(found) == {
        (1, "flight_50"): ("2020-05-08 12:00", "2020-05-15 12:00", "2020-05-11 15:36"),
        (1, "flight_95"): ("2020-05-15 12:00", "2020-05-16 00:00", "2020-05-15 16:12"),
        (2, "flight_50"): ("2020-05-22 12:00", "2020-05-29 12:00", "2020-05-25 03:00"),
        (2, "flight_95"): ("2020-05-29 12:00", "2020-06-05 12:00", "2020-06-03 16:57"),
    }
    assert found.table.groupby("flight")["moths"].first().to_dict() == pytest.approx({1: 13.0, 2: 41.0})


def test_a_flight_that_ends_with_the_next_is_not_taken_for_a_trap_set_late() -> None:
    # The part of the third check on either side of the boundary has a high rate; neither flight is cut by it.
    found = seen(COUNTS, "flight_50")
    assert found.left_out.empty
    # The same record of one flight that begins at that rate is a trap set late.
    assert "set after the flight had begun" in why(record([14, 20, 8, 0]), "flight_50")


def test_a_trap_set_late_for_flight_1_still_dates_flight_2() -> None:
    found = seen([14, 10, 14, 20, 8, 0], "flight_50")
    assert list(found.left_out["flight"]) == [1]
    assert found.left_out["reason"].tolist() == ["the trap was set after the flight had begun"]
    assert (2, "flight_50") in dates(found)


def test_heat_of_the_boundary_counts_from_the_biofix() -> None:
    # From a biofix on 8 May the 150 degC d are reached on 23 May at midnight, half a day into the fourth check of 20.
    # The first check began before the biofix and is left out: flight 1 has 2 + 14 + 20/14 moths, flight 2 the rest.
    starts = {("A", 2020): np.datetime64("2020-05-08")}
    found = seen([1, 2, 14, 20, 8, 0], "flight_50", fit=two_flights(biofix=True), starts=starts)
    moths = found.table.groupby("flight")["moths"].first().to_dict()
    assert moths == pytest.approx({1: 16 + 10 / 7, 2: 130 / 7 + 8})
    # Half of flight 1, 8 5/7, is 6 5/7 of 14 into the third check: 3 days 8 h 34 min after 15 May 12:00.
    assert dates(found)[1, "flight_50"][2] == "2020-05-18 20:34"


def test_only_the_weather_since_the_biofix_counts() -> None:
    # 40 degC until the biofix would give the 150 degC d in five days.
    hot = weather()
    for name in ("tmin", "tmax"):
        hot[name][:, hot["time"] < np.datetime64("2020-05-08")] = 40.0
    starts = {("A", 2020): np.datetime64("2020-05-08")}
    found = seen([1, 2, 14, 20, 8, 0], "flight_50", fit=two_flights(biofix=True), starts=starts, data=hot)
    assert dates(found)[1, "flight_50"][2] == "2020-05-18 20:34"


def test_a_boundary_at_a_check_cuts_no_interval() -> None:
    # 145 degC d are reached on 15 May at noon, the moment of the second check: 2 + 10 and 14 + 20 + 8 moths.
    found = seen(COUNTS, "flight_50", "peak", fit=two_flights((95.0, 295.0)))
    assert found.table.groupby("flight")["moths"].first().to_dict() == {1: 12.0, 2: 42.0}
    assert dates(found)[1, "flight_50"][2] == "2020-05-11 07:12"
    assert dates(found)[2, "peak"][0] == "2020-05-22 12:00"


def test_checks_before_the_biofix_count_for_no_date() -> None:
    def half(day: str) -> Observed:
        starts = {("A", 2020): np.datetime64(day)}
        return observed_events(record([9, 0, 8, 8, 0]), events=["flight_50"], starts=starts)

    assert "set after" in half("2020-05-01").left_out["reason"].item()
    assert half("2020-05-02").table["moths"].item() == 16
    assert half("2021-05-01").left_out["reason"].item() == "no check since the biofix"
    # Without a biofix of its own a trap-year stays as it is.
    other = observed_events(record([0, 8, 8, 0]), events=["flight_50"], starts={})
    assert other.table["moths"].item() == 16


def test_a_biofix_on_the_first_day_of_the_season_changes_no_byte() -> None:
    events = ("first_catch", "flight_5", "flight_50", "flight_95", "peak")
    plain = seen(COUNTS, *events)
    starts = {("A", 2020): np.datetime64("2020-05-01")}
    counted = seen(COUNTS, *events, fit=two_flights(biofix=True), starts=starts)
    pd.testing.assert_frame_equal(plain.table, counted.table, check_exact=True)
    pd.testing.assert_frame_equal(plain.left_out, counted.left_out)


@pytest.mark.parametrize(
    "starts", [{}, {("A", 2019): np.datetime64("2019-05-01")}, {("A", 2020): np.datetime64("NaT")}]
)
def test_no_date_without_a_biofix(starts: dict[tuple[str, int], np.datetime64]) -> None:
    found = seen(COUNTS, "flight_50", fit=two_flights(biofix=True), starts=starts)
    assert found.table.empty
    assert set(found.left_out["reason"]) == {"no heat sum to separate the flights"}


def test_a_missing_day_before_the_boundary_leaves_no_date() -> None:
    found = seen(COUNTS, "flight_50", data=weather(missing="2020-05-10"))
    assert set(found.left_out["reason"]) == {"no heat sum to separate the flights"}
    # One after it does no harm.
    assert len(seen(COUNTS, "flight_50", data=weather(missing="2020-05-20")).table) == 2


def test_a_boundary_after_the_season_leaves_all_moths_to_flight_1() -> None:
    found = seen(COUNTS, "flight_50", fit=two_flights((100.0, 90000.0)))
    assert dates(found) == {(1, "flight_50"): one(record(COUNTS), "flight_50")}
    assert found.table["moths"].tolist() == [54.0]
    assert found.left_out["reason"].tolist() == ["fewer than 5 moths"]


@pytest.mark.parametrize(
    ("biofix", "starts"), [(True, None), (False, {("A", 2020): np.datetime64("2020-05-01")})]
)
def test_a_biofix_that_is_missing_or_superfluous_is_refused(biofix: bool, starts: object) -> None:
    with pytest.raises(ModelError, match="counts heat from a"):
        seen(COUNTS, "flight_50", fit=two_flights(biofix=biofix), starts=starts)


def test_a_gap_is_filled_at_the_mean_of_the_rates_beside_it() -> None:
    # Rates 2 and 1 a day beside the gap; 14 of 21 moths before it. With a gap of L days, 1.5 L moths are missed, and
    # half of 21 + 1.5 L still lies before the gap while L is at most 14/3.
    def gap(days: float) -> TrapYears:
        return record([0, 14, 7, 0], gap_before={2: days})

    assert one(gap(4.6), "flight_50")[0] == "2020-05-08 12:00"
    assert "a gap in the checks could hold the event" in why(gap(4.7), "flight_50")
    # The date is the one without the gap's moths: half of 21 is 10.5 of 14 into the second check.
    assert one(gap(4.6), "flight_50")[2] == "2020-05-13 18:00"


def test_a_gap_that_holds_the_event_itself() -> None:
    # 10 moths on either side: with 10 more in the gap between them half lies in the gap.
    assert "a gap" in why(record([0, 10, 10, 0], gap_before={2: 7}), "flight_50")


def test_an_hour_between_checks_is_no_gap_and_more_is_one() -> None:
    def late(minutes: float) -> TrapYears:
        return record([0, 9, 9, 3, 0, 0], gap_before={4: minutes / 1440})

    assert one(late(60), "end")[0] == "2020-05-22 12:00"
    assert "a gap begins" in why(late(61), "end")


@pytest.mark.parametrize(
    ("exact", "above", "reason"),
    [
        # A quarter of the best rate is accepted, more is not: 2 of 8 against 9 of 35 a week.
        ([2, 8, 1, 0], [9, 35, 1, 0], "set after the flight had begun"),
        ([0, 8, 2], [0, 35, 9], "taken in before the flight had ended"),
    ],
)
def test_a_trap_set_late_or_taken_in_early_at_the_limit(
    exact: list[float], above: list[float], reason: str
) -> None:
    assert one(record(exact), "flight_50")
    assert reason in why(record(above), "flight_50")


def test_the_rate_at_the_ends_is_a_rate_not_a_count() -> None:
    # 8 moths in the first 28 days are a quarter of the rate of 8 in the next 7, and 9 are more.
    assert one(record([8, 8, 1, 0], days=[28, 7, 7, 7]), "flight_50")
    assert "set after" in why(record([9, 8, 1, 0], days=[28, 7, 7, 7]), "flight_50")


def test_the_fewest_moths_at_the_limit() -> None:
    assert one(record([0, 2, 3, 0]), "flight_50")
    found = observed_events(record([0, 2, 3, 0]), events=["flight_50"], min_moths=6)
    assert found.left_out["reason"].tolist() == ["fewer than 6 moths"]
    # A flight has the moths of its part of a check: 2 + 10 + 1 of flight 1.
    fewer = observed_events(
        record(COUNTS), events=["flight_50"], min_moths=14, fit=two_flights(), weather=weather(), links=LINKS,
        season=SEASON,
    )  # fmt: skip
    assert fewer.left_out["flight"].tolist() == [1]


@pytest.mark.parametrize("counts", [[9, 4, 2, 0], [0, 2, 4, 9]])
def test_a_peak_at_the_first_or_last_check_is_none(counts: list[float]) -> None:
    assert "the highest rate is at the first or last check" in why(record(counts), "peak")


def test_the_order_of_the_rows_changes_nothing() -> None:
    found = record([0, 1, 0, 6, 9, 2, 0])
    mixed = replace(found, intervals=found.intervals.iloc[::-1].reset_index(drop=True))
    for event in ("first_catch", "flight_50", "peak", "end"):
        assert one(mixed, event) == one(found, event)


def test_one_check_that_is_not_counted_leaves_the_trap_year_out() -> None:
    found = record([0, 9, 9, 0])
    status = ["counted", "counted", "at least", "counted"]
    assert "not counted" in why(replace(found, intervals=found.intervals.assign(status=status)), "flight_50")


def test_effort_scales_the_peak_and_the_rates_at_the_ends() -> None:
    # Eight traps caught 24: three a trap, fewer than the five of one trap.
    assert one(record([0, 24, 5, 0], effort=[1, 8, 1, 1]), "peak")[0] == "2020-05-15 12:00"
    assert one(record([16, 8, 1, 0], effort=[8, 1, 1, 1]), "flight_50")
    # The moths of a record are the moths counted, whatever the effort.
    assert (
        observed_events(record([0, 24, 5, 0], effort=[1, 8, 1, 1]), events=["flight_50"])
        .table["moths"]
        .item()
        == 29
    )
