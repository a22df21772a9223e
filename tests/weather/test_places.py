"""Weather at the traps: the linked station, interpolation with height, and a logger's own offset."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from phenofit.errors import DataError, ModelError
from phenofit.weather import (
    at_traps,
    has_flag,
    lapse_rates,
    leave_one_station_out,
    new_dataset,
    notes,
    site_offset,
)
from tests.weather.real import england

LAPSE = -5.0  # degC per km, of the made hills below


def hills(count: int = 8, noise: float = 0.0, seed: int = 0) -> xr.Dataset:
    """Stations on made hills: one weather for all, cooler by 5 degC per km of height."""
    random = np.random.default_rng(seed)
    days = np.arange("2022-01-01", "2023-01-01", dtype="datetime64[D]")
    height = np.linspace(100, 900, count)
    common = 12 - 9 * np.cos(2 * np.pi * np.arange(len(days)) / 365.25) + random.normal(0, 3, len(days))
    low = common[None] + LAPSE * (height[:, None] - 500) / 1000 + random.normal(0, noise, (count, len(days)))
    stations = pd.DataFrame(
        {
            "station": [f"S{i}" for i in range(count)],
            "latitude": 46.0 + 0.05 * random.permutation(count),
            "longitude": np.full(count, 8.0),
            "elevation_m": height,
        }
    )
    return new_dataset(stations, days, low, low + 11)


def trap(elevation: float = 400.0) -> pd.DataFrame:
    return pd.DataFrame({"trap": ["T1"], "latitude": [46.12], "longitude": [8.0], "elevation_m": [elevation]})


def test_fitted_change_with_height_is_that_of_the_hills() -> None:
    rates = lapse_rates(hills())
    np.testing.assert_allclose(rates.to_numpy(), LAPSE, atol=1e-9)
    assert lapse_rates(hills(count=4)).isna().to_numpy().all()


def test_interpolation_with_height_gives_the_made_truth() -> None:
    weather = hills()
    placed = at_traps(trap(400.0), weather, how="interpolated")
    truth = weather["tmin"].values[0] + LAPSE * (400 - 100) / 1000
    np.testing.assert_allclose(placed["tmin"].values[0], truth, atol=1e-9)
    assert has_flag(placed, "height_corrected").all()
    assert placed["station"].values.tolist() == ["T1"]
    given = at_traps(trap(400.0), weather, how="interpolated", lapse=LAPSE)
    np.testing.assert_allclose(given["tmin"], placed["tmin"], atol=1e-9)


def test_unknown_height_means_no_correction_and_is_told() -> None:
    placed = at_traps(trap(np.nan), hills(), how="interpolated")
    assert any("No height correction, since a height is unknown, for: T1" in n for n in notes(placed))
    assert not has_flag(placed, "height_corrected").any()


def test_too_few_stations_use_the_standard_rate_and_say_so() -> None:
    placed = at_traps(trap(), hills(count=3), how="interpolated")
    assert any("not fitted for want of stations; -6.5" in n for n in notes(placed))


def test_nearest_is_the_station_as_it_stands() -> None:
    weather = hills()
    placed = at_traps(trap(), weather)
    near = int(np.argmin(np.abs(weather["latitude"].values - 46.12)))
    np.testing.assert_array_equal(placed["tmax"].values[0], weather["tmax"].values[near])


def test_a_day_without_the_nearest_station_uses_the_next() -> None:
    weather = hills()
    order = np.argsort(np.abs(weather["latitude"].values - 46.12))
    holed = weather.copy(deep=True)
    holed["tmin"][order[0], 10] = np.nan
    holed["tmax"][order[0], 10] = np.nan
    holed["source"][order[0], 10] = 0
    holed["source"][order[1], 20] = 3
    placed = at_traps(trap(), holed, how="interpolated", stations=2)
    assert not np.isnan(placed["tmin"].values).any()
    assert placed["source"].values[0, 20] == 3  # the worst of the two
    assert placed["source"].values[0, 10] == 1


def test_trap_out_of_reach_is_named() -> None:
    far = trap().assign(latitude=50.0)
    with pytest.raises(DataError, match="trap T1: no station within 40 km"):
        at_traps(far, hills(), how="interpolated")
    with pytest.raises(ModelError, match="how must be one of"):
        at_traps(trap(), hills(), how="kriging")


def test_leave_one_station_out_on_made_and_real_stations() -> None:
    made = leave_one_station_out(hills(noise=0.8, seed=2))
    assert len(made) == 8
    # own noise and the mean of up to four neighbours': between 0.8 and 0.8 * sqrt(2) degC
    assert made["rmse_tmin"].between(0.8, 1.2).all()
    real = leave_one_station_out(england(), max_distance_km=150.0, lapse=None)
    print(real.round(2).to_string())  # noqa: T201
    assert (real["rmse_tmax"] < 3.0).all()


def test_logger_offset_with_an_honest_error() -> None:
    weather = hills(count=3)
    random = np.random.default_rng(4)
    noise = np.zeros(weather.sizes["time"])
    for t in range(1, len(noise)):  # following days resemble each other
        noise[t] = 0.6 * noise[t - 1] + random.normal(0, 0.8)
    logger = weather.isel(station=[1]).copy(deep=True)
    logger["tmin"] = logger["tmin"] - 1.5 + noise
    logger["tmax"] = logger["tmax"] + 0.7 + noise
    table = site_offset(logger, weather, "S1").set_index("element")
    for element, truth in (("tmin", -1.5), ("tmax", 0.7)):
        row = table.loc[element]
        assert abs(row["offset"] - truth) < 3 * row["standard_error"]
        # for a first-order process the error is sqrt((1 + r) / (1 - r)) = 2 times that of independent days
        plain = 1.0 / np.sqrt(365)
        assert 1.5 * plain < row["standard_error"] < 2.6 * plain
    with pytest.raises(ModelError, match="common days"):
        site_offset(logger.isel(time=slice(0, 10)), weather, "S1")
