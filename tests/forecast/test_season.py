"""The season forecast: what it knows, what it must not know, and how it is written down."""

from __future__ import annotations

from dataclasses import replace

import icalendar
import numpy as np
import pandas as pd
import pytest

from phenofit.errors import DataError, ModelError
from phenofit.forecasting import FORECAST_COLUMNS
from phenofit.forecasting.calendar_file import calendar_text
from phenofit.forecasting.cautions import CAUTIONS
from phenofit.forecasting.event_heat import draw_heat, draw_totals, kept_drawing
from phenofit.forecasting.forecast_places import day_after_last, season_year
from phenofit.forecasting.weather_years import station_series
from phenofit.seasons import Season
from tests.calls import forecast, forecast_season
from tests.forecast.fits import small_fit
from tests.validate.networks import SEASON, network

N = network(sites=6, years=5)


def test_the_table_has_a_row_for_each_place_and_event() -> None:
    table = forecast(small_fit(), N.weather, N.links, today="2018-05-20", draws=200)
    assert tuple(table.columns) == FORECAST_COLUMNS
    assert len(table) == 6 * 3
    assert (table["known_until"] == pd.Timestamp("2018-05-19")).all()
    assert (table["past_seasons"] == 4).all()
    inside = (
        (table["low95"] <= table["low50"])
        & (table["low50"] <= table["median"])
        & (table["median"] <= table["high95"])
    )
    assert inside.all()
    assert table["chance_passed"].between(0, 1).all()


def test_weather_from_the_day_of_issue_on_is_not_seen() -> None:
    spoilt = N.weather.copy(deep=True)
    late = spoilt["time"].to_numpy() >= np.datetime64("2018-05-20")
    for name in ("tmin", "tmax"):
        spoilt[name][:, late] = spoilt[name].to_numpy()[:, late] + 9.0
    tables = [
        forecast(small_fit(), weather, N.links, today="2018-05-20", draws=200).to_csv()
        for weather in (N.weather, spoilt)
    ]
    assert tables[0] == tables[1]


def test_the_nearer_the_event_the_narrower_the_forecast() -> None:
    width = []
    for today in ("2018-03-01", "2018-05-20", "2018-06-10"):
        table = forecast(small_fit(), N.weather, N.links, today=today, events=("flight_50",), draws=800)
        width.append((table["high95"] - table["low95"]).dt.total_seconds().mean() / 86400.0)
    assert width[0] > width[1] > width[2] - 0.5


def test_what_has_passed_has_passed() -> None:
    table = forecast(small_fit(), N.weather, N.links, today="2018-10-01", draws=200)
    assert (table["chance_passed"] == 1.0).all()


def test_chances_of_the_weeks_add_up() -> None:
    found = forecast_season(small_fit(), N.weather, N.links, today="2018-05-20", draws=300)
    weeks = found.weeks(22)
    total = weeks.groupby(["site", "event"])["chance_in_week"].sum()
    assert total.to_numpy() == pytest.approx(1.0)
    last = weeks.groupby(["site", "event"])["chance_by_end"].last()
    assert last.to_numpy() == pytest.approx(1.0)


def test_a_station_with_a_gap_is_told_and_stops_nobody() -> None:
    weather = N.weather.copy(deep=True)
    gap = (weather["time"].to_numpy() >= np.datetime64("2018-04-02")) & (
        weather["time"].to_numpy() <= np.datetime64("2018-04-04")
    )
    weather["tmin"][0, gap] = np.nan
    found = forecast_season(small_fit(), weather, N.links, today="2018-05-20", draws=100)
    assert {site for site, _ in found.failed} == {"T00", "T03"}
    assert "3 days before 2018-05-20, the first is 2018-04-02" in found.failed[0][1]
    assert {one.site for one in found.events} == {"T01", "T02", "T04", "T05"}


def test_no_place_at_all_is_an_error_that_names_each() -> None:
    links = N.links.assign(station="nowhere")
    with pytest.raises(DataError, match=r"site 'T00' cannot be forecast.*The same for 'T01'.*'T05'"):
        forecast(small_fit(), N.weather, links, today="2018-05-20")


def test_the_last_observation_bounds_what_is_known() -> None:
    short = N.weather.sel(time=slice(None, "2018-05-10"))
    found = forecast_season(small_fit(), short, N.links, today="2018-05-20", draws=100)
    assert {str(one.known_until) for one in found.events} == {"2018-05-10"}
    assert str(day_after_last(short)) == "2018-05-11"


def test_a_numerical_weather_forecast_bridges_only_when_asked() -> None:
    weather = N.weather.copy(deep=True)
    time = weather["time"].to_numpy()
    ahead = (time >= np.datetime64("2018-05-20")) & (time < np.datetime64("2018-05-27"))
    weather["source"][:, ahead] = 4
    weather = weather.sel(time=slice(None, "2018-05-26"))
    plain = forecast_season(small_fit(), weather, N.links, today="2018-05-20", draws=50)
    bridged = forecast_season(small_fit(), weather, N.links, today="2018-05-20", draws=50, bridge=True)
    assert plain.events[0].bridged_until is None
    assert str(plain.events[0].known_until) == "2018-05-19"
    assert str(bridged.events[0].bridged_until) == "2018-05-26"


def test_an_unconverged_fit_needs_consent() -> None:
    bad = replace(small_fit(), converged=False)
    with pytest.raises(ModelError, match="did not converge"):
        forecast(bad, N.weather, N.links, today="2018-05-20")
    assert len(forecast(bad, N.weather, N.links, today="2018-05-20", draws=50, accept_unconverged=True)) == 18


def test_a_day_outside_the_season_is_refused() -> None:
    with pytest.raises(ModelError, match="outside the season, which runs from 01-01 to 10-31"):
        forecast(small_fit(), N.weather, N.links, today="2018-12-24")
    south = Season.parse("07-01", "05-31")
    assert season_year(south, np.datetime64("2024-02-10")) == 2023


def test_past_seasons_continue_by_month_and_day() -> None:
    # 2016 is a leap year: from 1 February 2016 on each day takes that month-day of the past season; 29 February,
    # which 2015 lacks, takes 1 March.
    series = station_series(N.weather)["S0"]
    ahead = series.continued(SEASON, 2016, before=np.datetime64("2016-02-01"), years=(2015,))
    days = SEASON.days(2016)
    at = int(np.flatnonzero(days == np.datetime64("2016-02-29"))[0])
    tmin_2015, _ = series.on(np.array(["2015-03-01", "2015-06-15"], dtype="datetime64[D]"))
    assert ahead.tmin[0, at] == tmin_2015[0]
    june = int(np.flatnonzero(days == np.datetime64("2016-06-15"))[0])
    assert ahead.tmin[0, june] == tmin_2015[1]
    observed, _ = series.on(days[:31])
    assert (ahead.tmin[0, :31] == observed).all()


def test_a_past_season_with_a_hole_is_not_used() -> None:
    weather = N.weather.copy(deep=True)
    weather["tmax"][0, weather["time"].to_numpy() == np.datetime64("2015-07-01")] = np.nan
    series = station_series(weather)["S0"]
    ahead = series.continued(SEASON, 2018, before=np.datetime64("2018-05-01"), years=range(2013, 2018))
    assert ahead.years == (2014, 2016, 2017)
    with pytest.raises(DataError, match="no whole past season to continue 2018"):
        series.continued(SEASON, 2018, before=np.datetime64("2018-05-01"), years=(2015,))


def test_the_calendar_file_follows_its_standard() -> None:
    # Read by an independent library for RFC 5545; limits of 75 octets and CRLF are from that document.
    fit = replace(small_fit(), settings=replace(small_fit().settings, species="borer; of maize, élan"))
    found = forecast_season(fit, N.weather, N.links, today="2018-05-20", draws=200)
    text = calendar_text(found, notes=("Invented data.",))
    assert text == calendar_text(found, notes=("Invented data.",))
    lines = text.split("\r\n")
    assert "\n" not in "".join(lines)
    assert max(len(line.encode()) for line in lines) <= 75
    events = icalendar.Calendar.from_ical(text).walk("VEVENT")
    assert len(events) == 18
    first = events[0]
    assert first["SUMMARY"] == "borer; of maize, élan at T00: 5 % of the flight"
    row = found.table().iloc[0]
    assert str(first.decoded("DTSTART")) == f"{row['low50']:%Y-%m-%d}"
    assert str(first.decoded("DTEND")) == f"{row['high50'] + pd.Timedelta(days=1):%Y-%m-%d}"
    for sentence in ("Invented data.", *CAUTIONS):
        assert sentence in str(first["DESCRIPTION"])
    assert len({e["UID"] for e in events}) == 18


def test_events_that_have_passed_are_no_entries() -> None:
    found = forecast_season(small_fit(), N.weather, N.links, today="2018-10-01", draws=100)
    assert not icalendar.Calendar.from_ical(calendar_text(found)).walk("VEVENT")


@pytest.mark.parametrize("today", ["6/1/2017", "tomorrow", "", "2017-13-01", None])
def test_a_day_of_issue_that_is_no_date_is_refused_in_one_line(today: object) -> None:
    with pytest.raises(ModelError, match=r"is not a date; write year-month-day, such as 2024-05-20\."):
        forecast(small_fit(), N.weather, N.links, today=today)


@pytest.mark.parametrize("counted", [True, False])
def test_draws_that_are_kept_are_those_of_every_place(counted: bool) -> None:
    fit, numbers = small_fit(), {"flight": 1, "draws": 50, "seed": 3}
    moths = draw_totals(fit, 1, 50, 3) if counted else None
    for shift in (None, (12.0, 4.0)):
        alone = draw_heat(fit, ["flight_50"], **numbers, moths=moths, shift=shift)
        kept = kept_drawing(fit, ("flight_50",), **numbers, counted=counted).at(shift)
        np.testing.assert_array_equal(alone.base, kept.base)
        np.testing.assert_array_equal(alone.amount, kept.amount)
    other = replace(fit, parameters={**fit.parameters, "base": fit.base + 1.0})
    assert not np.array_equal(
        kept_drawing(other, ("flight_50",), **numbers, counted=counted).terms.base, kept.base
    )
