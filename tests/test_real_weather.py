"""Heat on a real station series against figures worked out elsewhere."""

from __future__ import annotations

from importlib import metadata
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from phenofit.heat import degree_days


@pytest.fixture(scope="module")
def champion() -> pd.DataFrame:
    """Daily minimum and maximum [degC] of Champion, Nebraska, 1982-2018.

    Source: the file champion_climate.txt in the distribution aquacrop (Apache-2.0). It is read as a file, since
    importing that package compiles code.
    """
    files = metadata.files("aquacrop") or []
    (found,) = [f for f in files if f.name == "champion_climate.txt"]
    table = pd.read_csv(Path(str(found.locate())), sep=r"\s+")
    days = pd.to_datetime(table[["Year", "Month", "Day"]])
    return pd.DataFrame(
        {"tmin": table["Tmin(C)"].to_numpy(), "tmax": table["Tmax(C)"].to_numpy()}, index=days
    )


def _first_days(series: pd.DataFrame, *, base: float, amount: float) -> np.ndarray:
    """Day of a common year on which each year's heat since 1 January reaches an amount [degC d]."""
    heat = np.asarray(degree_days(series["tmin"].to_numpy(), series["tmax"].to_numpy(), base=base))
    found = []
    for _, year in pd.Series(heat, index=series.index).groupby(series.index.to_series().dt.year):
        reached = year.index[int(np.argmax(year.cumsum().to_numpy() >= amount))]
        found.append(reached.day_of_year - int(reached.is_leap_year and reached.month > 2))
    return np.array(found)


def test_the_series_is_whole(champion: pd.DataFrame) -> None:
    assert len(champion) == 37 * 365 + 9  # leap years 1984 to 2016
    assert not champion.isna().to_numpy().any()
    assert (np.diff(champion.index.to_numpy()) == np.timedelta64(1, "D")).all()


def test_900_fahrenheit_days_above_50_come_in_mid_june(champion: pd.DataFrame) -> None:
    # Source: an independent computation of the same sum (single sine from 1 January, 37 years): on average
    # 19 June, standard deviation 7.5 days. Mid-June to late July is the window that practice gives for a
    # stem-boring moth in whose use 900 to 1000 °F-days stand (common practice, no source).
    days = _first_days(champion, base=10.0, amount=500.0)
    nineteenth_of_june = 170
    assert days.size == 37
    assert abs(days.mean() - nineteenth_of_june) <= 1.0
    assert abs(days.std(ddof=1) - 7.5) <= 0.5


def test_a_higher_base_or_amount_comes_later_in_every_year(champion: pd.DataFrame) -> None:
    days = _first_days(champion, base=10.0, amount=500.0)
    assert (_first_days(champion, base=11.0, amount=500.0) > days).all()
    assert (_first_days(champion, base=10.0, amount=600.0) > days).all()
