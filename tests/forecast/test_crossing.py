"""Days on which a heat sum is reached: against constant weather by hand and against running sums by numpy."""

from __future__ import annotations

import numpy as np
import pytest

from phenofit.errors import DataError
from phenofit.forecasting import DateDistribution
from phenofit.forecasting.date_draws import SeasonWalk, event_dates, fixed_date
from phenofit.forecasting.distribution import add_days
from phenofit.forecasting.event_heat import HeatDraws
from phenofit.forecasting.weather_years import StationSeries
from phenofit.heat import degree_days
from phenofit.heat.compiled.crossing import crossing_after, crossing_days
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season

START = np.datetime64("2024-01-01")
SINE = HeatSettings()


def season(members: int = 3, days: int = 250) -> tuple[np.ndarray, np.ndarray]:
    """Return invented seasons."""
    rng = np.random.default_rng(4)
    mean = 4.0 + 0.08 * np.arange(days) + rng.normal(0, 4, (members, days))
    half = rng.uniform(2, 8, (members, days))
    return mean - half, mean + half


@pytest.mark.parametrize(
    "heat",
    [
        SINE,
        HeatSettings(upper=24.0),
        HeatSettings("double sine", "vertical", 22.0),
        HeatSettings("simple average"),
        HeatSettings("single triangle", "intermediate", 20.0),
    ],
    ids=lambda heat: f"{heat.method} {heat.cutoff}",
)
def test_the_crossing_inverts_the_running_sum(heat: HeatSettings) -> None:
    tmin, tmax = season()
    base = np.array([7.0, 9.5, 12.0])
    amount = np.array([[50.0, 210.0], [80.0, 300.0], [1.0, 150.0]])
    found = crossing_days(
        tmin,
        tmax,
        np.arange(3),
        base,
        amount,
        np.full(3, heat.upper_or_inf),
        heat.method_code,
        heat.cutoff_code,
        np.zeros(3),
    )
    for k in range(3):
        daily = np.asarray(
            degree_days(
                tmin[k], tmax[k], base=base[k], method=heat.method, cutoff=heat.cutoff, upper=heat.upper
            )
        )
        # A double method does not know the last day, for want of the next minimum.
        running = np.concatenate([[0.0], np.cumsum(daily[:-1])])
        expected = np.interp(amount[k], running, np.arange(running.size))
        assert found[k] == pytest.approx(expected, abs=1e-9)


def test_never_reached_already_reached_and_unknown() -> None:
    warm = np.full((1, 10), 20.0)
    gap = warm.copy()
    gap[0, 4] = np.nan
    call = (
        np.zeros(1, dtype=np.int64),
        np.array([10.0]),
        np.array([[0.0, 25.0, 45.0, 500.0]]),
        np.array([np.inf]),
        3,
        0,
        np.zeros(1),
    )
    assert crossing_days(warm, warm, *call).tolist() == [[0.0, 2.5, 4.5, np.inf]]
    found = crossing_days(gap, gap, *call)[0]
    assert found[:2].tolist() == [0.0, 2.5]
    assert np.isnan(found[2:]).all()


def test_a_sum_from_a_moment_of_its_own() -> None:
    warm = np.full((1, 12), 20.0)
    start = np.array([1.5, 3.25, np.inf, 10.0])
    amount = np.array([20.0, 2.5, 5.0, 50.0])
    zero = np.zeros(4, dtype=np.int64)
    found = crossing_after(warm, warm, zero, np.full(4, 10.0), start, amount, np.inf, 3, 0)
    assert found.tolist() == [3.5, 3.5, np.inf, np.inf]


def test_missing_weather_gives_no_dates() -> None:
    gap = np.full((1, 10), 20.0)
    gap[0, 2] = np.nan
    assert fixed_date(10.0, 50.0, gap, gap, start=START, heat=SINE) is None


def test_draws_share_the_members_evenly() -> None:
    cold, warm = np.full((1, 40), 15.0), np.full((1, 40), 20.0)
    both = np.vstack([cold, warm])
    draws = HeatDraws(np.full(10, 10.0), np.full((10, 1), 100.0), ("flight_50",))
    dates = event_dates(draws, both, both, start=START, heat=SINE)
    assert dates is not None
    assert sorted(dates["flight_50"].days.tolist()) == [10.0] * 5 + [20.0] * 5


def test_quantiles_and_chances_by_hand() -> None:
    dates = DateDistribution(START, np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, np.inf]))
    assert str(dates.quantile(0.5))[:10] == "2024-01-06"
    assert [str(d)[:10] for d in dates.interval(0.8)] == ["2024-01-02", "2024-01-10"]
    assert np.isnat(dates.quantile(0.99))
    assert dates.chance_by(np.datetime64("2024-01-05T00:00")) == pytest.approx(0.4)
    assert dates.chance_not_this_season == pytest.approx(0.1)


def test_dates_pass_a_leap_day() -> None:
    found = add_days(np.datetime64("2024-02-28"), [1.0, 2.0, np.inf])
    assert [str(d)[:10] for d in found] == ["2024-02-29", "2024-03-01", "NaT"]


HEATS = (SINE, HeatSettings(upper=24.0), HeatSettings("double sine", "vertical", 22.0))


@pytest.mark.parametrize("heat", HEATS, ids=lambda heat: f"{heat.method} {heat.cutoff}")
@pytest.mark.parametrize("issued", ["2024-01-01", "2024-01-02", "2024-03-10", "2024-05-02", "2024-11-01"])
def test_a_walk_as_of_a_day_is_that_through_every_whole_season(heat: HeatSettings, issued: str) -> None:
    series = drawn_series()
    calendar = Season.parse("01-01", "10-31")
    opened = series.open_season(calendar, 2024, years=tuple(range(2018, 2024)))
    generator = np.random.default_rng(3)
    draws = HeatDraws(
        generator.normal(10.0, 1.0, 100),
        generator.normal((100.0, 300.0, 600.0), 20.0, (100, 3)),
        ("a", "b", "c"),
    )
    day = np.datetime64(issued)
    whole = series.continued(calendar, 2024, before=day, years=range(2018, 2024))
    wanted = event_dates(draws, whole.tmin, whole.tmax, start=START, heat=heat)
    assert wanted is not None
    walk = SeasonWalk(draws, opened, heat)
    for event in draws.events:
        found = walk.date(event, day)
        assert found is not None
        assert found.days == pytest.approx(wanted[event].days, abs=1e-9)
    # One sum without an error has a date in every season that may come.
    single = SeasonWalk(HeatDraws(np.array([10.0]), np.array([[300.0]]), ("a",)), opened, heat).date("a", day)
    fixed = fixed_date(10.0, 300.0, whole.tmin, whole.tmax, start=START, heat=heat)
    assert single is not None
    assert fixed is not None
    assert single.days == pytest.approx(fixed.days, abs=1e-9)


def test_a_gap_leaves_unknown_the_events_after_it_alone() -> None:
    series = drawn_series()
    series.tmax[np.datetime64("2024-07-20") - series.first == np.arange(series.tmax.size)] = np.nan
    opened = series.open_season(Season.parse("01-01", "10-31"), 2024, years=(2021, 2022, 2023))
    draws = HeatDraws(np.full(4, 10.0), np.tile([100.0, 1400.0], (4, 1)), ("early", "late"))
    walk = SeasonWalk(draws, opened, SINE)
    assert walk.date("early") is not None
    assert walk.date("late") is None
    # As of a day before the gap, the seasons that continue it have none; as of a later day the sum is unknown.
    assert walk.date("late", np.datetime64("2024-07-20")) is not None
    with pytest.raises(DataError, match="no temperatures on 1 days before 2024-08-01"):
        walk.date("late", np.datetime64("2024-08-01"))


def drawn_series() -> StationSeries:
    """Return invented daily temperatures of 2018 to 2024."""
    days = np.arange(np.datetime64("2018-01-01"), np.datetime64("2025-01-01"))
    rng = np.random.default_rng(8)
    of_year = (days - days.astype("datetime64[Y]")).astype(int)
    mean = 11.0 - 11.0 * np.cos(2 * np.pi * (of_year - 20) / 365.25) + rng.normal(0, 3, days.size)
    half = rng.uniform(2, 8, days.size)
    return StationSeries("S", days[0], mean - half, mean + half)
