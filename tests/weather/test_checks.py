"""Quality checks: planted faults are found, clean days of real series are left alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.errors import ModelError
from phenofit.weather import (
    check_weather,
    findings,
    flag_counts,
    has_flag,
    new_dataset,
    notes,
    observation_lags,
    read_weather,
    shift_lagged,
)
from tests.weather.real import champion, clemson_table, england, seattle


def one(high: list[float], start: str = "2023-11-01", below: float = 9.0) -> xr.Dataset:
    days = np.arange(len(high)) + np.datetime64(start, "D")
    tmax = np.array([high])
    return new_dataset(pd.DataFrame({"station": ["A"]}), days, np.minimum(tmax, 25.0) - below, tmax)


def test_keying_error_between_two_plain_days() -> None:
    # 45 is possible in itself, but not between 16 and 14; 113 would be set aside by the reader already.
    checked = check_weather(one([15, 17, 16, 15, 14, 16, 15, 16, 45, 14, 15, 16, 14, 15, 16]))
    assert findings(checked)[["flag", "tmax"]].values.tolist() == [["spike", 45.0]]
    assert np.isnan(checked["tmax"].values[0, 8])
    assert checked["tmin"].values[0, 8] == 16.0  # the other element stays
    assert checked["source"].values[0, 8] == 0


def test_kept_by_the_study_is_still_flagged_and_counted() -> None:
    weather = one([15, 17, 16, 15, 14, 16, 15, 16, 45, 14, 15, 16, 14, 15, 16])
    checked = check_weather(weather, keep=["spike"])
    assert checked["tmax"].values[0, 8] == 45.0
    assert flag_counts(checked).loc["A"].to_dict() == {"spike": 1}
    assert any("days 1, kept, as asked" in n for n in notes(checked))


def test_tenfold_values_from_some_date_on(tmp_path: Path) -> None:
    high = [10, 11, 13, 12, 10, 11, 12, 11, 11, 12, 12, 11, 126, 114, 110, 104]
    rows = "\n".join(f"A,2024-03-{i + 1:02d},{min(h, 20) - 8},{h}" for i, h in enumerate(high))
    path = tmp_path / "w.csv"
    path.write_text(f"station,date,tmin,tmax\n{rows}\n", encoding="utf-8")
    checked = check_weather(read_weather(path, unit="degC"))
    assert has_flag(checked, "scale_change").values[0].tolist() == [False] * 12 + [True] * 4
    assert any("scale change: days 4" in n and "first 2024-03-13" in n for n in notes(checked))


def test_unknown_check_is_refused() -> None:
    with pytest.raises(ModelError, match="'spikes' is not a check"):
        check_weather(one([1.0] * 20), keep=["spikes"])


def test_known_defects_of_real_series_are_found(tmp_path: Path) -> None:
    # Clemson: a minimum of -72.04 F on 18 July 1936 is an error of the published table (known beforehand).
    path = tmp_path / "clemson.csv"
    clemson_table().to_csv(path, index=False)
    weather = read_weather(path, unit="degF", station="clemson")
    # 90 days absent, 17 blank minima, 5 blank maxima: counts known beforehand from the same table
    assert weather.sizes["time"] == 33148 + 90
    assert int(weather["tmin"].isnull().sum()) == 90 + 17
    assert int(weather["tmax"].isnull().sum()) == 90 + 5
    found = findings(check_weather(weather))
    assert "1936-07-18" in found["date"].astype(str).tolist()
    assert len(found) <= 5  # of 33,148 days
    # Champion: eight days of February 1982 with the same extremes, seen by the check and true of the file
    copied = findings(check_weather(champion()))
    assert set(copied["flag"]) == {"repeated_value"}
    assert (copied["date"].dt.strftime("%Y-%m").unique() == ["1982-02"]).all()


@pytest.mark.parametrize("name", ["england", "seattle"])
def test_no_false_alarm_on_clean_real_series(name: str) -> None:
    weather = {"england": england, "seattle": seattle}[name]()
    assert findings(check_weather(weather)).empty


def planted(weather: xr.Dataset, kind: str, seed: int) -> tuple[xr.Dataset, np.ndarray]:
    """Plant faults of one kind into the maxima of the first station; return the days."""
    random = np.random.default_rng(seed)
    high = weather["tmax"].values.copy()
    low = weather["tmin"].values
    bad = np.zeros(high.shape, dtype=bool)
    at = np.sort(random.choice(np.arange(400, high.shape[1] - 400, 200), size=40, replace=False))
    summer = [d for d in at if high[0, d] > 15]
    if kind == "spike":
        for day in at:
            high[0, day] += random.choice([-1, 1]) * random.uniform(10.0, 25.0)
            bad[0, day] = True
    elif kind == "scale_change":
        for day in summer[:10]:
            high[0, day : day + 6] = np.minimum(high[0, day : day + 6] * 10, 400)
            bad[0, day : day + 6] = True
    elif kind == "repeated_value":
        for day in at[:20]:
            top = max(high[0, day], float(low[0, day : day + 12].max()))
            high[0, day : day + 12] = top
            bad[0, day : day + 12] = True
    elif kind == "unit_suspect":
        months = weather["time"].values.astype("datetime64[M]")
        for month in np.unique(months)[[30, 60, 90]]:
            inside = months == month
            high[0, inside] = 1.8 * high[0, inside] + 32
            bad[0, inside] = True
    else:  # three days in a row wrong by 5 to 10 degC, of which the smallest cannot be detected
        for day in at:
            high[0, day : day + 3] += random.uniform(5.0, 10.0)
            bad[0, day : day + 3] = True
    return weather.assign(tmax=(("station", "time"), high, weather["tmax"].attrs)), bad


@pytest.mark.parametrize(
    ("kind", "least"),
    [
        ("spike", 0.9),
        ("scale_change", 0.9),
        ("repeated_value", 0.9),
        ("unit_suspect", 0.9),
        ("unlike_neighbours", 0.75),
    ],
)
def test_recall_and_false_alarms_of_planted_faults(kind: str, least: float) -> None:
    """Faults planted into a real county series with four real neighbours; figures computed here."""
    weather, bad = planted(england(), kind, seed=3)
    checked = check_weather(weather)
    hit = np.isnan(checked["tmax"].values)
    recall = float((hit & bad).sum() / bad.sum())
    false = float((hit & ~bad).sum() / (~bad).sum())
    print(f"{kind}: recall {recall:.3f}, false alarms {100000 * false:.1f} per 100,000 days")  # noqa: T201
    assert recall >= least
    assert false < 2e-4
    assert not np.isnan(checked["tmin"].values).any() or kind == "unit_suspect"


def test_morning_observer_is_offered_and_moved_only_on_request() -> None:
    weather = england().sel(time=slice("2000-01-01", "2002-12-31"))
    high = weather["tmax"].values.copy()
    year = weather["time"].dt.year.values
    # in 2001 the second county writes down on each morning the maximum of the day before
    late = np.flatnonzero(year == 2001)
    high[1, late] = weather["tmax"].values[1, late - 1]
    faulty = weather.assign(tmax=(("station", "time"), high, weather["tmax"].attrs))
    table = observation_lags(faulty)
    assert table.loc[table["late"], ["station", "year"]].values.tolist() == [["norfolk", 2001]]
    offered = check_weather(faulty)
    assert any(
        "Station 'norfolk': the maxima of 2001 fit" in n and "Nothing was moved" in n for n in notes(offered)
    )
    seen = offered["tmax"].notnull()
    assert bool((offered["tmax"] == faulty["tmax"]).where(seen, other=True).all())
    mended = shift_lagged(faulty, "norfolk", [2001])
    inside = slice("2001-01-01", "2001-12-30")
    np.testing.assert_array_equal(
        mended["tmax"].sel(station="norfolk", time=inside),
        weather["tmax"].sel(station="norfolk", time=inside),
    )
    assert has_flag(mended, "lagged_observation").sum() == 365
    assert any("moved one day back on request" in n for n in notes(mended))
    assert not observation_lags(mended)["late"].any()
    with pytest.raises(ModelError, match="there is no station"):
        shift_lagged(faulty, "kent", [2001])
