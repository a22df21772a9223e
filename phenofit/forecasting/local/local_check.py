"""Was the forecast right at this place? A few scouting dates against a fit, and the shift of the place they support."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import gammaln

from phenofit.errors import DataError, ModelError, Problem
from phenofit.flight.kernels.curves import curve_code, shares_flown
from phenofit.forecasting.date_draws import event_dates
from phenofit.forecasting.distribution import DateDistribution
from phenofit.forecasting.event_heat import draw_heat, flight_shares
from phenofit.forecasting.forecast_places import season_heat
from phenofit.forecasting.local.local_words import sum_up, year_sentence
from phenofit.forecasting.local.place_posterior import (
    averaged,
    log_posterior,
    mean_and_sd,
    quantiles,
    spread_cases,
    usual_spreads,
)
from phenofit.forecasting.weather_years import StationSeries

if TYPE_CHECKING:
    from phenofit.flight import FlightFit

_GRID_POINTS = 601
_GRID_DAYS = 60.0  # least range of shifts that is searched [d]
_CHI_95 = 3.841458820694124  # 95 % point of chi-squared with one degree of freedom
_SUPPORT = (0.1, 0.9)  # an 80 % interval that excludes zero
_CENTRAL = (0.025, 0.975)
_OUTSIDE = 3.0  # beyond so many SDs between places, a shift is larger than the network has seen
_DAY = np.timedelta64(1, "D").astype("timedelta64[ns]")
Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class YearCheck:
    """One season of records against its forecast."""

    season: str  # Label.
    seen: int  # Moths recorded.
    forecast: DateDistribution  # Date of half of the flight by the fit, the season's weather known.
    # Date by which half of the moths were caught, and the check interval that holds it; NaT where no moth was seen, or
    # where there is a single record.
    observed: np.datetime64
    observed_between: tuple[np.datetime64, np.datetime64]
    error_days: float  # Middle of the forecast minus that date [d].
    # How much later (positive) the flight was than the middle of the forecast, by the records and the spread
    # of shifts that the fit knows; with the central 95 % interval [d]. NaN where no moth was seen.
    shift_days: float
    low_days: float
    high_days: float
    # Whether the records agree with the 95 % interval of the forecast; ``None`` where the records cannot show it.
    inside: bool | None
    sentence: str  # The same in words.


@dataclass(frozen=True)
class LocalCheck:
    """All seasons of a place."""

    years: tuple[YearCheck, ...]  # One for each season.
    shift: float  # Shift of the place, shrunk towards zero because records are few [degC d].
    shift_sd: float
    bias_days: float  # The same in days, with its 95 % interval.
    low_days: float
    high_days: float
    supported: bool  # Whether the records support a local correction.
    sentences: tuple[str, ...]  # In words for readers who do not model.

    @property
    def correction(self) -> tuple[float, float] | None:
        """Mean and SD of the place's shift for a forecast [degC d]; ``None`` unless supported."""
        return (self.shift, self.shift_sd) if self.supported else None


def local_check(
    fit: FlightFit,
    series: StationSeries,
    records: pd.DataFrame,
    *,
    flight: int = 1,
    draws: int = 1000,
    seed: int = 1,
) -> LocalCheck:
    """Compare scouting records of one place with the forecast of a fit."""
    if fit.settings.biofix:
        raise ModelError("the fit counts from a biofix; the local check needs a fit that counts from a date.")
    if fit.settings.covariates:
        raise ModelError(
            f"the fit has effects of {', '.join(fit.settings.covariates)}; say what they are at this place first "
            "(phenofit.flight.fit_at, or --covariates on the command line)."
        )
    cases = spread_cases(fit)
    place_sd, season_sd = usual_spreads(cases)
    years, skipped, seasons = [], [], []
    grid = _grid(fit, series, flight, math.hypot(place_sd, season_sd))
    for year, group in records.groupby("year", sort=True):
        label = fit.settings.season.label(int(str(year)))
        found = _Season.of(fit, series, int(str(year)), group)
        if found is None:
            skipped.append(f"{label}: no whole temperatures up to the last record; left out.")
            continue
        dates = known_season_dates(fit, series, int(str(year)), flight, draws, seed)
        if dates is None:
            skipped.append(f"{label}: the temperatures do not reach the flight; left out.")
            continue
        seasons.append((found, found.log_likelihood(grid)))
        years.append(
            _year(label, found, dates, seasons[-1][1], grid, math.hypot(place_sd, season_sd), flight)
        )
    if not years:
        finding = "no season has both records and temperatures. " + " ".join(skipped)
        raise DataError(Problem(finding, "Give the weather of the years of the records."))
    posterior = log_posterior(grid, [log_like for _, log_like in seasons], cases)
    mean, sd = mean_and_sd(posterior, grid)
    informed = sum(found.seen > 0 for found, _ in seasons)
    clear = quantiles(posterior, grid, _SUPPORT)
    supported = informed >= 2 and bool(clear[0] > 0.0 or clear[1] < 0.0)
    ends = quantiles(posterior, grid, _CENTRAL)
    middle = fit.requirement(flight)

    def days(shift: float) -> float:
        return float(np.mean([found.days_of(middle, shift) for found, _ in seasons]))

    bias = (days(mean), days(float(ends[0])), days(float(ends[1])))
    outside = days(place_sd) if informed >= 2 and abs(mean) > _OUTSIDE * place_sd else None
    sentences = (
        *skipped,
        *(y.sentence for y in years),
        *sum_up(bias, informed, supported, fit, outside=outside),
    )
    return LocalCheck(tuple(years), mean, sd, *bias, supported, sentences)


def _grid(fit: FlightFit, series: StationSeries, flight: int, sd: float) -> Array:
    """Return the grid of shifts that is searched [degC d]: as far as two months of heat about the flight, or eight SDs."""
    season = fit.settings.season
    reach = 8.0 * sd
    for year in range(int(str(series.first)[:4]), int(str(series.last)[:4]) + 1):
        heat = season_heat(fit, series, year)
        at = int(np.searchsorted(np.nan_to_num(heat, nan=np.inf), fit.requirement(flight)))
        if 0 < at < heat.size and season.first_day(year) >= series.first:
            low, high = max(at - int(_GRID_DAYS), 0), min(at + int(_GRID_DAYS), heat.size - 1)
            reach = max(reach, heat[at] - heat[low], np.nan_to_num(heat[high] - heat[at]))
    return np.asarray(np.linspace(-reach, reach, _GRID_POINTS))


def known_season_dates(
    fit: FlightFit, series: StationSeries, year: int, flight: int, draws: int, seed: int
) -> DateDistribution | None:
    """Return the date of half of a flight by a fit, the weather known; None where the weather does not reach it."""
    season = fit.settings.season
    heat = draw_heat(fit, ("flight_50",), flight=flight, draws=draws, seed=seed)
    tmin, tmax = series.season_rows(season, year)
    last = series.last_observed(season, year)
    if last is None:
        return None
    # After the last day known nothing is reached; a flight after it has no date and is reported so.
    known = int((last - season.first_day(year)).astype(np.int64)) + 1
    dates = event_dates(
        heat, tmin[:, :known], tmax[:, :known], start=season.first_day(year), heat=fit.settings.heat
    )
    if dates is None or np.isnat(dates["flight_50"].quantile(0.975)):
        return None
    return dates["flight_50"]


@dataclass(frozen=True)
class _Season:
    """Records of one season on the heat scale of the fit."""

    fit: FlightFit
    first: np.datetime64  # Start of the season.
    start: Array  # Shape (records,): Days since then.
    end: Array
    left: Array  # Heat at these [degC d].
    right: Array
    count: Array
    heat: Array  # Shape (days,): Heat at the start of each day of the season.

    @classmethod
    def of(cls, fit: FlightFit, series: StationSeries, year: int, records: pd.DataFrame) -> _Season | None:
        heat = season_heat(fit, series, year)
        first = fit.settings.season.first_day(year).astype("datetime64[ns]")
        at = np.arange(heat.size, dtype=np.float64)
        start, end = (
            (records[c].to_numpy().astype("datetime64[ns]") - first) / _DAY for c in ("start", "end")
        )
        left, right = np.interp(start, at, heat), np.interp(end, at, heat)
        if not np.isfinite(right).all():
            return None
        return cls(fit, first, start, end, left, right, records["count"].to_numpy(dtype=np.float64), heat)

    @property
    def seen(self) -> int:
        return int(self.count.sum())

    def log_likelihood(self, grid: Array) -> Array:
        """Return the log-likelihood of the counts, given their total, at each shift."""
        if self.seen == 0 or self.count.size < 2:
            return np.zeros_like(grid)
        stray = self.fit.parameters.get("stray_share", 0.0)
        phi = self.fit.parameters.get("concentration", math.inf)
        code = curve_code(self.fit.settings.curve)
        days = self.end - self.start
        share = np.zeros((grid.size, self.count.size))
        for g, weight in enumerate(flight_shares(self.fit), start=1):
            m, s = self.fit.requirement(g), self.fit.spread(g)
            share += weight * (
                shares_flown(code, self.right, m + grid, m, s) - shares_flown(code, self.left, m + grid, m, s)
            )
        share = (1.0 - stray) * np.maximum(share, 0.0) + stray * days / days.sum()
        share = np.maximum(share, 1e-12)
        share /= share.sum(axis=1, keepdims=True)
        if math.isinf(phi):
            return np.asarray(np.sum(self.count * np.log(share), axis=1))
        alpha = phi * share
        return np.asarray(np.sum(gammaln(alpha + self.count) - gammaln(alpha), axis=1))

    def days_of(self, amount: float, shift: float) -> float:
        """Return how many days later an amount of heat is reached where it is this much larger."""
        known = self.heat[np.isfinite(self.heat)]
        # Before the first heat and after the last, a day has the mean heat of the days between.
        level = np.array([amount, amount + shift])
        at = np.interp(level, known, np.arange(known.size, dtype=np.float64))
        per_day = max(float(np.ptp(known)) / max(known.size - 1, 1), 1e-6)
        beyond = (level - np.clip(level, known[0], known[-1])) / per_day
        return float(np.diff(at + beyond)[0])

    def half(self) -> tuple[np.datetime64, tuple[np.datetime64, np.datetime64]]:
        """Return the date by which half of the moths were caught, and the check interval that holds it."""
        nothing = np.datetime64("NaT", "ns")
        if self.seen == 0 or self.count.size < 2:
            return nothing, (nothing, nothing)
        passed = np.cumsum(self.count)
        at = int(np.searchsorted(passed, 0.5 * passed[-1]))
        part = (0.5 * passed[-1] - (passed[at] - self.count[at])) / self.count[at]
        days = (self.start[at] + part * (self.end[at] - self.start[at]), self.start[at], self.end[at])
        found = [self.first + (day * 86400e9) * np.timedelta64(1, "ns") for day in days]
        return found[0], (found[1], found[2])


def _year(
    label: str, found: _Season, dates: DateDistribution, log_like: Array, grid: Array, sd: float, flight: int
) -> YearCheck:
    shift = low = high = error = math.nan
    inside: bool | None = None
    observed, between = found.half()
    if not np.isnat(observed):
        posterior = log_like - 0.5 * (grid / sd) ** 2
        middle, _ = mean_and_sd(posterior, grid)
        ends = quantiles(posterior, grid, _CENTRAL)
        shift, low, high = (found.days_of(found.fit.requirement(flight), float(v)) for v in (middle, *ends))
        whole = averaged(log_like, grid, sd)
        inside = bool(2.0 * (whole.max() - whole[grid.size // 2]) <= _CHI_95)
        error = float((dates.quantile(0.5).astype("datetime64[ns]") - observed) / _DAY)
    sentence = year_sentence(label, found.seen, dates, (observed, *between), inside)
    return YearCheck(label, found.seen, dates, observed, between, error, shift, low, high, inside, sentence)
