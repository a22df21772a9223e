"""Catches on real weather from models that the fit need not assume; plain NumPy, without the code of the fit.

A trap-year has a course of heat: the development rate at the temperatures of the day, a sine between minimum and
maximum, summed from `begin`. A moth flies when its heat, less the shift of its trap-year, is reached. The chance of a
check is the share that flies between it and the check before, half a day at a time, so that warm nights can weigh
more.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr
from scipy import optimize, stats

from phenofit import Records
from tests.recovery.real_networks import (
    BASE,
    CHECKS,
    CONCENTRATION,
    SHIFT_SD,
    block,
    station_weather,
    traps_of,
)

Floats = npt.NDArray[np.float64]
Rate = Callable[[Floats], Floats]
SEASON = ("01-01", "10-31")
_HOURS = np.arange(0.125, 24.0, 0.25)
_HALF_DAY = np.timedelta64(12 * 3600, "s")
# Traps at each station and year behind an expectation, where the weather at the trap is drawn too.
_TRAPS_PER_YEAR = 20


@dataclass(frozen=True)
class Flight:
    """The distribution of the heat at which a moth flies [degC d]."""

    share: Callable[[Floats], Floats]  # Share flown by heat.
    quantile: Callable[[float], float]
    mean: float

    @property
    def median(self) -> float:
        """Heat at half of the flight."""
        return self.quantile(0.5)


def normal(median: float = 500.0, sd: float = 60.0) -> Flight:
    """Return the flight that the fit assumes."""
    return _flight(stats.norm, (), median, sd)


def skewed(curve: str, *, skewness: float = 1.1, sd: float = 60.0, median: float = 500.0) -> Flight:
    """Return a flight with a long tail to the right."""
    if curve == "gamma":
        return _flight(stats.gamma, ((2.0 / skewness) ** 2,), median, sd)

    def excess(shape: float) -> float:
        mean, variance, third = (stats.weibull_min.moment(k, shape) for k in (1, 2, 3))
        variance -= mean**2
        return float((third - 3.0 * mean * variance - mean**3) / variance**1.5) - skewness

    return _flight(stats.weibull_min, (float(optimize.brentq(excess, 1.0, 3.0)),), median, sd)


def _flight(law: stats.rv_continuous, shape: tuple[float, ...], median: float, sd: float) -> Flight:
    scale = sd / float(law.std(*shape))
    begin = median - scale * float(law.median(*shape))
    return Flight(
        lambda heat: np.asarray(law.cdf((heat - begin) / scale, *shape)),
        lambda share: begin + scale * float(law.ppf(share, *shape)),
        begin + scale * float(law.mean(*shape)),
    )


def linear(temperature: Floats) -> Floats:
    """Return the degrees above the true base."""
    return np.maximum(temperature - BASE, 0.0)


def capped(temperature: Floats) -> Floats:
    """Return the degrees above the base, at most those at 30 degC (horizontal cut-off)."""
    return np.minimum(linear(temperature), 30.0 - BASE)


def logistic(temperature: Floats) -> Floats:
    """Return a smooth rate with the steepest slope, 1 per degC, at 18 degC: it has no base."""
    return 16.0 / (1.0 + np.exp(-(temperature - 18.0) / 4.0))


@dataclass(frozen=True)
class Truth:
    """What is true of a network. As it stands, it is what the default model assumes."""

    flights: tuple[Flight, ...] = (normal(),)
    rate: Rate = linear
    begin: str = "01-01"  # Month-day of the first heat.
    shift_sd_year: float = 20.0  # SDs of the shifts [degC d].
    shift_sd_site: float = 0.0
    shift_sd: float = SHIFT_SD
    moths: float = 60.0  # Mean total of a trap-year.
    total_log_sd: float = 0.0  # SD of the log mean total between traps.
    counts: str = "swarms"
    strays: float = 0.0  # Share of moths caught at any time.
    night_effect: float = 0.0  # On the log chance of a catch, by the anomaly of the minimum [1/degC].
    station_offset_sd: float = 0.0  # Trap minus station: SD between sites, and from day to day [degC].
    station_noise_sd: float = 0.0
    every: int = 7  # Days between checks.
    window: tuple[str, str] | None = None  # First and last month-day of the checks, else those of the place.
    years: int = 5
    sites: int = 8

    def __post_init__(self) -> None:
        assert self.counts in ("swarms", "negative binomial"), self.counts


@dataclass(frozen=True)
class DrawnNetwork:
    """The tables of a network, and what is true of each trap-year."""

    traps: pd.DataFrame
    catches: pd.DataFrame
    weather: xr.Dataset
    # ``trap, year, flight, shift, date, station_date``: shift [degC d], and when a moth of median heat flies where
    # there is no shift, by the weather at the trap and by that of the station.
    events: pd.DataFrame

    def records(self) -> Records:
        """Return the records as a user makes them."""
        return Records.from_tables(
            traps=self.traps, catches=self.catches, weather=self.weather, season=SEASON
        )


def heat_course(low: Floats, high: Floats, rate: Rate, skip: int = 0) -> Floats:
    """Return the heat at each midnight and noon from the first midnight on; none in the first `skip` days."""
    course = np.sin(2.0 * np.pi * _HOURS / 24.0)
    temperature = 0.5 * (low + high)[:, None] + 0.5 * (high - low)[:, None] * course
    daily = rate(temperature).mean(axis=1)
    daily[:skip] = 0.0
    return np.concatenate([[0.0], np.cumsum(np.repeat(0.5 * daily, 2))])


def half_days_to(heat: Floats, amount: float) -> float:
    """Return after how many half-days a heat is reached, NaN where it is not."""
    at = int(np.searchsorted(heat, amount))
    if not 0 < at < len(heat):
        return float("nan")
    return float(at - (heat[at] - amount) / (heat[at] - heat[at - 1]))


def night_anomalies(weather: xr.Dataset) -> dict[str, pd.Series]:
    """Return each station's daily minimum less its smooth yearly course (two harmonics) [degC]."""
    when = pd.DatetimeIndex(weather["time"].to_numpy())
    angle = 2.0 * np.pi * np.asarray(when.day_of_year, dtype=float) / 365.25
    waves = np.column_stack([np.ones(len(when)), *(f(k * angle) for k in (1, 2) for f in (np.sin, np.cos))])
    found = {}
    for station in weather["station"].to_numpy():
        low = weather["tmin"].sel(station=station).to_numpy().astype(float)
        found[str(station)] = pd.Series(low - waves @ np.linalg.lstsq(waves, low, rcond=None)[0], index=when)
    return found


def draw_network(truth: Truth, place: str, *, seed: tuple[int, ...]) -> DrawnNetwork:
    """Draw a network on a run of real years, another one for another seed.

    Counts are ``"swarms"`` (Dirichlet-multinomial, concentration 10) or ``"negative binomial"`` (each interval on its
    own with one size: not Dirichlet-multinomial given the total, whose size would grow with the expected catch).
    """
    rng = np.random.default_rng(list(seed))
    weather, chosen = block(place, truth.years, rng)
    # Traps stand at their stations, whose heights are not known: none of them differs.
    weather = weather.assign_coords(elevation=("station", np.zeros(weather.sizes["station"])))
    traps = traps_of(place, truth.sites)[0].assign(elevation_m=0.0)
    for name in ("latitude", "longitude"):
        traps[name] = weather[name].sel(station=traps["station"].to_list()).to_numpy()
    anomalies = night_anomalies(weather)
    plan = truth.window or (CHECKS[place].first, CHECKS[place].last)
    offset = truth.station_offset_sd * rng.standard_normal(truth.sites)
    site_shift = truth.shift_sd_site * rng.standard_normal(truth.sites)
    moths = truth.moths * np.exp(truth.total_log_sd * rng.standard_normal(truth.sites))
    catches, events = [], []
    for year in chosen:
        year_shift = truth.shift_sd_year * rng.standard_normal()
        days = season_days(year)
        checks = np.arange(
            np.datetime64(f"{year}-{plan[0]}"), np.datetime64(f"{year}-{plan[1]}"), truth.every
        )
        for k, (trap, station) in enumerate(zip(traps["trap"], traps["station"], strict=True)):
            shift = year_shift + site_shift[k] + truth.shift_sd * rng.standard_normal()
            low, high = of_station(weather, station, days)
            extra = offset[k] + truth.station_noise_sd * rng.standard_normal(len(days))
            heat = course_of(truth, year, low + extra, high + extra)
            by_station = course_of(truth, year, low, high)
            night = np.exp(truth.night_effect * anomalies[station].reindex(days).to_numpy())
            mass = flown_by_check(truth, heat - shift, np.repeat(night, 2), checks, rng)
            drawn = draw_counts(truth, mass, moths[k], rng)
            dates = checks.astype(str)
            begun = np.where(np.arange(len(drawn)) == 0, dates[0], "")
            catches.append(pd.DataFrame({"trap": trap, "date": dates[1:], "count": drawn, "set": begun}))
            for g, flight in enumerate(truth.flights, start=1):
                flown = (days[0] + half_days_to(h, flight.median) * _HALF_DAY for h in (heat, by_station))
                events.append((trap, year, g, shift, *flown))
    return DrawnNetwork(
        traps,
        pd.concat(catches, ignore_index=True),
        weather,
        pd.DataFrame(events, columns=["trap", "year", "flight", "shift", "date", "station_date"]),
    )


def season_days(year: int) -> npt.NDArray[np.datetime64]:
    """Return the days of a season."""
    return np.arange(np.datetime64(f"{year}-{SEASON[0]}"), np.datetime64(f"{year}-{SEASON[1]}") + 1)


def of_station(weather: xr.Dataset, station: str, days: npt.NDArray[np.datetime64]) -> tuple[Floats, Floats]:
    """Return minimum and maximum of a station on some days [degC]."""
    part = weather.sel(station=station).reindex(time=days.astype("datetime64[ns]"))
    return part["tmin"].to_numpy().astype(float), part["tmax"].to_numpy().astype(float)


def course_of(truth: Truth, year: int, low: Floats, high: Floats) -> Floats:
    """Return the true heat at each half-day of a season."""
    first = np.datetime64(f"{year}-{SEASON[0]}")
    return heat_course(
        low, high, truth.rate, int((np.datetime64(f"{year}-{truth.begin}") - first).astype(int))
    )


def flown_by_check(
    truth: Truth, heat: Floats, weight: Floats, checks: npt.NDArray[np.datetime64], rng: np.random.Generator
) -> Floats:
    """Return the weighted share that flies in each check interval; checks are at noon."""
    parts = len(truth.flights)
    # Shares of several flights differ from trap-year to trap-year.
    shares = rng.dirichlet(np.full(parts, 20.0 / parts)) if parts > 1 else np.ones(1)
    flown = sum(w * np.diff(f.share(heat)) for w, f in zip(shares, truth.flights, strict=True))
    running = np.concatenate([[0.0], np.cumsum(flown * weight)])
    first = checks[0].astype("datetime64[Y]").astype("datetime64[D]")
    return np.asarray(np.maximum(np.diff(running[2 * (checks - first).astype(int) + 1]), 0.0))


def draw_counts(truth: Truth, mass: Floats, moths: float, rng: np.random.Generator) -> npt.NDArray[np.int64]:
    """Return the counts of a trap-year."""
    mass = (1.0 - truth.strays) * mass + truth.strays * mass.sum() / len(mass)
    mean = moths * mass
    if truth.counts == "negative binomial":
        return rng.negative_binomial(1.5, 1.5 / (1.5 + np.maximum(mean, 1e-9)))
    total = rng.negative_binomial(2.0, 2.0 / (2.0 + mean.sum()))
    chance = mass / mass.sum()
    return rng.multinomial(total, rng.dirichlet(np.maximum(CONCENTRATION * chance, 1e-9)))


@cache
def linear_requirements(truth: Truth, place: str) -> tuple[float, ...]:
    """Return the heat above the true base from 1 January when a median moth without a shift flies, by flight.

    The mean over all years and stations of a place, by the weather of the station. Where the truth is linear from 1
    January on, it is the true requirement.
    """
    rng = np.random.default_rng(0)
    weather = station_weather(place)
    repeats = _TRAPS_PER_YEAR if truth.station_offset_sd or truth.station_noise_sd else 1
    found = []
    for year in np.unique(weather["time"].dt.year.to_numpy()).tolist():
        for station in weather["station"].to_numpy():
            low, high = of_station(weather, str(station), season_days(year))
            heat = heat_course(low, high, linear)
            # Offsets at equally likely quantiles: their mean is zero without an error of drawing.
            for offset in truth.station_offset_sd * stats.norm.ppf((np.arange(repeats) + 0.5) / repeats):
                extra = offset + truth.station_noise_sd * rng.standard_normal(len(low))
                own = course_of(truth, year, low + extra, high + extra)
                at = [half_days_to(own, flight.median) for flight in truth.flights]
                found.append(np.interp(at, np.arange(len(heat)), heat))
    return tuple(np.nanmean(np.array(found), axis=0).tolist())
