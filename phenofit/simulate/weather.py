"""Invented daily station weather: a seasonal cycle, anomalies that last for days, and differences of place.

The mean temperature of a day is a yearly cosine plus terms for latitude and height, an anomaly of the whole
year, and a first-order autoregressive anomaly that is partly shared by the region and partly the station's own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray
from scipy.signal import lfilter

from phenofit.errors import ModelError

_YEAR_DAYS = 365.25
_NARROWEST_RANGE = 1.5  # degC; no simulated day has a minimum above its maximum


@dataclass(frozen=True)
class Climate:
    """The settings of a simulated climate.

    Parameters
    ----------
    mean : float
        Yearly mean temperature at the reference place [degC].
    amplitude : float
        Half the difference between the warmest and the coldest time of the year [degC].
    coldest : int
        Days from 1 January to the coldest time [d]; about 200 for a southern place.
    daily_range : float
        Yearly mean of maximum minus minimum [degC].
    range_amplitude, range_sd : float
        Half the difference between the widest and the narrowest daily range of the year (widest at the warmest
        time), and its SD from day to day [degC].
    latitude, elevation : float
        The reference place [degrees north, m].
    latitude_gradient : float
        Change of temperature per degree of latitude northward [degC / degree].
    lapse_rate : float
        Change of temperature per metre of height [degC / m].
    day_sd : float
        SD of the daily anomaly [degC].
    memory : float
        Correlation of the anomaly with that of the day before, 0 to below 1.
    regional_share : float
        Share of the anomaly's variance common to all stations, 0 to 1.
    year_sd : float
        SD of the anomaly of a whole year [degC].
    """

    mean: float = 10.0
    amplitude: float = 13.5
    coldest: int = 18
    daily_range: float = 11.5
    range_amplitude: float = 1.5
    range_sd: float = 2.5
    latitude: float = 42.0
    elevation: float = 500.0
    latitude_gradient: float = -0.75
    lapse_rate: float = -0.0065
    day_sd: float = 3.8
    memory: float = 0.72
    regional_share: float = 0.85
    year_sd: float = 0.7

    def __post_init__(self) -> None:
        if not 0 <= self.memory < 1:
            raise ModelError(f"memory is {self.memory}; the day-to-day correlation lies from 0 to below 1.")
        if not 0 <= self.regional_share <= 1:
            raise ModelError(f"regional_share is {self.regional_share}; a share lies from 0 to 1.")


def simulate_weather(
    stations: pd.DataFrame, *, first: str, last: str, climate: Climate | None = None, seed: int = 0
) -> xr.Dataset:
    """Draw daily minimum and maximum temperatures for a set of stations.

    Parameters
    ----------
    stations : DataFrame
        Columns `station`, `latitude`, `longitude` [degrees], `elevation_m` [m], optionally `station_name`.
    first, last : str
        First and last day, ``"2017-01-01"``.
    climate : Climate, optional
        The settings; the defaults give a mid-continental place.
    seed : int
        Same seed, same values.

    Returns
    -------
    xarray.Dataset
        ``tmin``, ``tmax`` (station, time) [degC, to 0.1], ``source`` and ``flag``, in the form that
        :func:`phenofit.weather.read_weather` gives; attribute ``invented`` is 1.

    Raises
    ------
    ModelError
        If the last day lies before the first.

    Examples
    --------
    >>> stations = pd.DataFrame({"station": ["A"], "latitude": [42.0], "longitude": [-97.0], "elevation_m": [500.0]})
    >>> weather = simulate_weather(stations, first="2020-01-01", last="2020-12-31", seed=1)
    >>> bool((weather.tmin < weather.tmax).all())
    True
    """
    settings = climate or Climate()
    time = pd.date_range(first, last, freq="D")
    if len(time) == 0:
        raise ModelError(f"the weather would end ({last}) before it begins ({first}).")
    rng = np.random.default_rng(seed)
    place = settings.latitude_gradient * (stations["latitude"].to_numpy(float) - settings.latitude)
    place = place + settings.lapse_rate * (stations["elevation_m"].to_numpy(float) - settings.elevation)
    phase = np.cos(2 * np.pi * (_days_into_year(time) - settings.coldest) / _YEAR_DAYS)
    anomaly = _anomalies(len(stations), time, settings, rng)
    mean = settings.mean + place[:, None] - settings.amplitude * phase[None, :] + anomaly
    spread = settings.daily_range - settings.range_amplitude * phase[None, :]
    spread = spread + settings.range_sd * rng.standard_normal(mean.shape)
    spread = np.maximum(spread, _NARROWEST_RANGE)
    return _dataset(stations, time, np.round(mean - spread / 2, 1), np.round(mean + spread / 2, 1), seed)


def with_gaps(weather: xr.Dataset, gaps: Sequence[tuple[str, str, str]]) -> xr.Dataset:
    """Return the weather with stretches taken out, as when a station fails.

    Parameters
    ----------
    weather : xarray.Dataset
        Station weather.
    gaps : sequence of (station, first day, last day)
        What to take out; the last day is included.

    Returns
    -------
    xarray.Dataset
        A copy, with NaN and source 0 in the gaps.

    Raises
    ------
    ModelError
        If a station is not there or a gap holds no day.
    """
    result = weather.copy(deep=True)
    names = list(weather["station"].values)
    for station, first, last in gaps:
        if station not in names:
            raise ModelError(
                f"there is no station '{station}' to take days from; there are {', '.join(names)}."
            )
        inside = (weather["time"] >= np.datetime64(first)) & (weather["time"] <= np.datetime64(last))
        if not bool(inside.any()):
            raise ModelError(f"the gap {first} to {last} holds no day of the series.")
        here = inside & (weather["station"] == station)
        for name in ("tmin", "tmax"):
            result[name] = result[name].where(~here)
        result["source"] = result["source"].where(~here, 0).astype(np.int8)
        for name in ("tmin", "tmax", "source"):
            result[name].attrs = dict(weather[name].attrs)
    return result


def _days_into_year(time: pd.DatetimeIndex) -> NDArray[np.float64]:
    starts = pd.to_datetime({"year": time.year, "month": 1, "day": 1}).to_numpy()
    return np.asarray((time.to_numpy() - starts) / np.timedelta64(1, "D"), dtype=np.float64)


def _anomalies(
    count: int, time: pd.DatetimeIndex, climate: Climate, rng: np.random.Generator
) -> NDArray[np.float64]:
    # Regional and own part are separate stationary series, so the share of variance holds on every day.
    years = np.arange(time[0].year - 1, time[-1].year + 2)
    of_year = climate.year_sd * rng.standard_normal(len(years))
    when = time.year.to_numpy() + _days_into_year(time) / _YEAR_DAYS
    slow = np.interp(when, years + 0.5, of_year)  # no step at New Year
    shocks = rng.standard_normal((count + 1, len(time)))
    shocks[:, 1:] *= np.sqrt(1 - climate.memory**2)
    series = lfilter([1.0], [1.0, -climate.memory], shocks)
    shared, own = np.sqrt(climate.regional_share), np.sqrt(1 - climate.regional_share)
    return np.asarray(slow[None, :] + climate.day_sd * (shared * series[:1] + own * series[1:]))


def _dataset(
    stations: pd.DataFrame,
    time: pd.DatetimeIndex,
    tmin: NDArray[np.float64],
    tmax: NDArray[np.float64],
    seed: int,
) -> xr.Dataset:
    identifiers = stations["station"].astype(str).to_numpy()
    names = stations["station_name"] if "station_name" in stations else stations["station"]
    dims = ("station", "time")
    temperature = {"units": "degC", "standard_name": "air_temperature"}
    return xr.Dataset(
        {
            "tmin": (dims, tmin, {**temperature, "cell_methods": "time: minimum"}),
            "tmax": (dims, tmax, {**temperature, "cell_methods": "time: maximum"}),
            "source": (
                dims,
                np.ones(tmin.shape, dtype=np.int8),
                {
                    "flag_values": np.arange(5, dtype=np.int8),
                    "flag_meanings": "missing observed modelled filled forecast",
                },
            ),
            "flag": (dims, np.zeros(tmin.shape, dtype=np.int16)),
        },
        coords={
            "station": identifiers,
            "time": time.to_numpy().astype("datetime64[ns]"),
            "latitude": ("station", stations["latitude"].to_numpy(float), {"units": "degrees_north"}),
            "longitude": ("station", stations["longitude"].to_numpy(float), {"units": "degrees_east"}),
            "elevation": ("station", stations["elevation_m"].to_numpy(float), {"units": "m"}),
            "station_name": ("station", names.astype(str).to_numpy()),
        },
        attrs={
            "Conventions": "CF-1.11",
            "featureType": "timeSeries",
            "title": "Invented station weather",
            "source": f"simulated, seed {seed}",
            "invented": 1,
        },
    )
