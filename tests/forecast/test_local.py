"""The local check: a known shift is found, nothing is made of nothing, and bad records are named."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenofit.errors import DataError
from phenofit.flight import FlightFit
from phenofit.forecasting.local.local_check import local_check
from phenofit.forecasting.local.place_posterior import (
    SpreadCase,
    log_posterior,
    mean_and_sd,
    quantiles,
    spread_cases,
)
from phenofit.forecasting.local.scouting_records import place_records, read_records
from phenofit.forecasting.weather_years import StationSeries, station_series
from phenofit.heat.compiled.daily_kernels import running_heat
from phenofit.seasons import Season
from tests.calls import forecast
from tests.forecast.fits import small_fit
from tests.validate.networks import SEASON, network

N = network(sites=6, years=5)
SERIES: StationSeries = station_series(N.weather)["S1"]


def records(shift: float, years: tuple[int, ...] = (2014, 2015, 2016, 2017), moths: int = 40) -> pd.DataFrame:
    """Return expected catches at weekly looks of a place whose flight needs `shift` more heat [degC d]."""
    fit = small_fit()
    parts = []
    for year in years:
        tmin, tmax = SERIES.season_rows(SEASON, year)
        heat = running_heat(tmin, tmax, fit.base, np.inf, 3, 0)[0][0]
        looks = np.arange(120, 260, 7)
        z = (heat[looks] - fit.requirement() - shift) / fit.spread()
        from scipy.stats import norm

        flown = norm.cdf(z)
        count = np.round(moths * np.diff(flown, prepend=0.0))
        when = SEASON.first_day(year).astype("datetime64[ns]") + looks.astype("timedelta64[D]")
        parts.append(place_records(when, count, season=SEASON))
    return pd.concat(parts, ignore_index=True)


def check(shift: float, **options: object) -> object:
    return local_check(small_fit(), SERIES, records(shift, **options), draws=300)  # type: ignore[arg-type]


def test_a_late_place_is_found_late_and_corrected() -> None:
    late = local_check(small_fit(), SERIES, records(60.0), draws=300)
    assert late.supported
    assert late.bias_days > 1.5
    assert 0 < late.shift < 60.0  # shrunk towards zero
    assert late.low_days < late.bias_days < late.high_days
    assert any("later than expected" in sentence for sentence in late.sentences)
    early = local_check(small_fit(), SERIES, records(-60.0), draws=300)
    assert early.bias_days < -1.5
    assert early.correction is not None
    links = pd.DataFrame({"trap": ["here"], "station": ["S1"]})
    plain, moved = (
        forecast(small_fit(), N.weather, links, today="2018-05-20", draws=400, shifts=shifts)
        for shifts in (None, {"here": early.correction})
    )
    assert (moved["median"] < plain["median"]).all()


def test_a_place_as_expected_is_not_corrected() -> None:
    found = local_check(small_fit(), SERIES, records(0.0), draws=300)
    assert not found.supported
    assert found.correction is None
    assert abs(found.bias_days) < 1.0
    assert all(year.inside for year in found.years)
    assert "too uncertain for a local correction; none is made" in found.sentences[-1]


def _days_off(days: int, years: tuple[int, ...] = (2014, 2015, 2016, 2017)) -> pd.DataFrame:
    """Return 98 moths a season, all their dates this many days after those that the fit expects."""
    moved = records(0.0, years, moths=98)
    for name in ("start", "end"):
        moved[name] = moved[name] + np.timedelta64(days, "D")
    return moved


@pytest.mark.parametrize("site_sd", [None, 10.0, 25.0])
@pytest.mark.parametrize("days", [-10, 10])
def test_seasons_ten_days_off_end_ten_days_off_or_say_so(days: int, site_sd: float | None) -> None:
    """Heavy tails: four seasons of 98 moths outweigh what the network knows of other places."""
    fit = small_fit()
    if site_sd is not None:
        settings = replace(fit.settings, shifts=("year", "site", "trap-year"))
        fit = replace(fit, settings=settings, parameters={**fit.parameters, "shift_sd_site": site_sd})
    found = local_check(fit, SERIES, _days_off(days), draws=300)
    assert found.bias_days == pytest.approx(days, abs=2.0)
    assert found.low_days < days < found.high_days
    assert found.supported
    assert any("outside what this network has seen" in sentence for sentence in found.sentences)
    for year in found.years:
        assert year.error_days == pytest.approx(-days, abs=1.5)


def test_a_place_inside_the_network_is_not_called_outside() -> None:
    found = local_check(small_fit(), SERIES, _days_off(2), draws=300)
    assert not any("outside" in sentence for sentence in found.sentences)
    assert 0.2 < found.bias_days < 2.0  # shrunk


def test_the_observed_date_comes_first_with_its_check_interval() -> None:
    days = np.array(["2015-06-02T12", "2015-06-09T12", "2015-06-16T12"], dtype="datetime64[ns]")
    found = local_check(small_fit(), SERIES, place_records(days, [1, 4, 1], season=SEASON), draws=100)
    year = found.years[0]
    # Three of six moths: half of the way through the four of the second week.
    assert str(year.observed) == "2015-06-06T00:00:00.000000000"
    assert [str(day)[:10] for day in year.observed_between] == ["2015-06-02", "2015-06-09"]
    begin = "2015: half of 6 moths was caught by 6 June (between 2 June and 9 June), "
    assert found.sentences[0].startswith(begin)


def test_posterior_of_a_place_is_that_of_plain_quadrature() -> None:
    """One season, one case: Student's t times the averaged normal likelihood, by scipy's quadrature."""
    from scipy.integrate import quad
    from scipy.stats import norm, t

    grid = np.linspace(-200.0, 200.0, 601)
    like = norm.logpdf(grid, 40.0, 9.0)
    found = log_posterior(grid, [like], [SpreadCase(1.0, 15.0, 12.0)])

    def density(x: float, power: int = 0) -> float:
        return float(x**power * t.pdf(x / 15.0, 4.0) * norm.pdf(x, 40.0, np.hypot(9.0, 12.0)))

    whole = quad(density, -200.0, 200.0, points=[0.0, 40.0])[0]
    mean = quad(density, -200.0, 200.0, args=(1,), points=[0.0, 40.0])[0] / whole
    assert mean_and_sd(found, grid)[0] == pytest.approx(mean, abs=0.05)
    low = quantiles(found, grid, [0.025])[0]
    assert quad(density, -200.0, low)[0] / whole == pytest.approx(0.025, abs=0.001)


def test_the_part_of_a_place_is_open_without_a_site_part() -> None:
    fit = small_fit()
    cases = spread_cases(fit)
    assert sum(case.weight for case in cases) == pytest.approx(1.0)
    own = [np.hypot(case.place_sd, case.season_sd) for case in cases]
    assert min(own) < fit.shift_sd < max(own)
    assert len({round(case.place_sd / case.season_sd, 3) for case in cases}) > 5


def test_a_season_far_off_does_not_agree() -> None:
    found = local_check(small_fit(), SERIES, records(250.0, years=(2015,)), draws=300)
    assert found.years[0].inside is False
    assert "do not agree" in found.sentences[0]
    assert not found.supported
    assert "needs two seasons" in found.sentences[-1]


def test_nothing_seen_says_nothing_of_time() -> None:
    days = np.array(["2015-06-03T12", "2015-06-10T12"], dtype="datetime64[ns]")
    found = local_check(small_fit(), SERIES, place_records(days, [0, 0], season=SEASON), draws=100)
    assert found.years[0].inside is None
    assert found.shift == pytest.approx(0.0, abs=1e-9)
    assert "no moth was seen" in found.sentences[0]


def test_none_then_two_says_not_earlier() -> None:
    # By the fit half of the flight of 2015 is on 5 June; none by 9 June and two in the week after: it must be later.
    days = np.array(["2015-06-09T12", "2015-06-16T12"], dtype="datetime64[ns]")
    found = local_check(small_fit(), SERIES, place_records(days, [0, 2], season=SEASON), draws=100)
    assert found.years[0].shift_days > 0.5


def test_the_fit_file_carries_everything(tmp_path: Path) -> None:
    small_fit().to_json(tmp_path / "fit.json")
    again = FlightFit.from_json(tmp_path / "fit.json")
    first, second = (
        local_check(fit, SERIES, records(60.0), draws=200).sentences for fit in (small_fit(), again)
    )
    assert first == second


def test_weather_that_does_not_reach_the_records_is_told() -> None:
    with pytest.raises(DataError, match="2025: no whole temperatures up to the last record"):
        local_check(
            small_fit(),
            SERIES,
            place_records(np.array(["2025-06-03T12"], dtype="datetime64[ns]"), [3], season=SEASON),
        )


def test_records_are_read_with_their_words(tmp_path: Path) -> None:
    path = tmp_path / "looks.csv"
    path.write_text("date,count\n2024-06-03,none\n2024-06-10,2\n", encoding="utf-8")
    found = read_records(path, season=SEASON)
    assert found["count"].tolist() == [0, 2]
    assert str(found["end"].iloc[1]) == "2024-06-10 12:00:00"


def test_every_fault_of_the_records_is_named(tmp_path: Path) -> None:
    path = tmp_path / "looks.csv"
    path.write_text(
        "date,count\n2024-06-03,two\n2024-13-10,2\n2024-06-17,1.5\n2024-06-24,\n2024-07-01,1\n",
        encoding="utf-8",
    )
    with pytest.raises(DataError) as caught:
        read_records(path, season=SEASON)
    assert {(p.row, p.column) for p in caught.value.problems} == {
        (2, "count"),
        (3, "date"),
        (4, "count"),
        (5, "count"),
    }
    path.write_text("date,count\n2024-06-03,1\n2024-06-03,2\n2024-12-24,1\n", encoding="utf-8")
    with pytest.raises(DataError) as caught:
        read_records(path, season=SEASON)
    assert {(p.row, p.column) for p in caught.value.problems} == {(3, "date"), (4, "date")}


def test_a_season_across_new_year_keeps_its_records_together() -> None:
    south = Season.parse("07-01", "05-31")
    days = np.array(["2023-12-20T12", "2024-01-10T12"], dtype="datetime64[ns]")
    found = place_records(days, [1, 4], season=south)
    assert found["year"].tolist() == [2023, 2023]
    assert str(found["start"].iloc[1]) == "2023-12-20 12:00:00"
