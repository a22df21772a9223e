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
from phenofit.forecasting.local_words import sum_up, year_sentence
from phenofit.forecasting.weather_years import StationSeries
from phenofit.heat.compiled.daily_kernels import running_heat

if TYPE_CHECKING:
    from phenofit.flight import FlightFit

_GRID_SDS = 6.0
_GRID_POINTS = 241
_CHI_95 = 3.841458820694124  # 95 % point of chi-squared with one degree of freedom
_SUPPORT_Z = 1.2815515655446004  # an 80 % interval that excludes zero
_DAY = np.timedelta64(1, "D").astype("timedelta64[ns]")
Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class YearCheck:
    """One season of records against its forecast."""

    season: str  # Label.
    seen: int  # Moths recorded.
    forecast: DateDistribution  # Date of half of the flight by the fit, the season's weather known.
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
    shift: float  # Shift of the place, shrunk towards zero by the SD between places [degC d].
    shift_sd: float
    bias_days: float  # The same in days, with its 95 % interval.
    low_days: float
    high_days: float
    supported: bool  # Whether the records support a local correction.
    sentences: tuple[str, ...]  # For someone who is no modeller.

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
            "(phenofit.flight.fit_at, or --at on the command line)."
        )
    place_sd, season_sd = _spreads(fit)
    grid = np.linspace(-1.0, 1.0, _GRID_POINTS) * _GRID_SDS * math.hypot(place_sd, season_sd)
    posterior = -0.5 * (grid / place_sd) ** 2
    years, skipped, slopes, informed = [], [], [], 0
    for year, group in records.groupby("year", sort=True):
        label = fit.settings.season.label(int(str(year)))
        found = _Season.of(fit, series, int(str(year)), group)
        if found is None:
            skipped.append(f"{label}: no whole temperatures up to the last record; left out.")
            continue
        dates = _forecast(fit, series, int(str(year)), flight, draws, seed)
        if dates is None:
            skipped.append(f"{label}: the temperatures do not reach the flight; left out.")
            continue
        log_like = found.log_likelihood(grid)
        posterior = posterior + _averaged(log_like, grid, season_sd)
        slope = found.days_per_heat(fit.requirement(flight))
        slopes.append(slope)
        informed += found.seen > 0
        years.append(_year(label, found, dates, log_like, grid, math.hypot(place_sd, season_sd), slope))
    if not years:
        finding = "no season has both records and temperatures. " + " ".join(skipped)
        raise DataError(Problem(finding, "Give the weather of the years of the records."))
    mean, sd = _mean_and_sd(posterior, grid)
    days = float(np.mean(slopes))
    supported = informed >= 2 and abs(mean) > _SUPPORT_Z * sd
    bias = (mean * days, (mean - 1.96 * sd) * days, (mean + 1.96 * sd) * days)
    sentences = (*skipped, *(y.sentence for y in years), *sum_up(bias, informed, supported, fit))
    return LocalCheck(tuple(years), mean, sd, *bias, supported, sentences)


def _spreads(fit: FlightFit) -> tuple[float, float]:
    """Return the SD of a place's own shift and that of a season there [degC d]."""
    own = fit.parameters.get("shift_sd", 0.0) ** 2
    year = fit.parameters.get("shift_sd_year", 0.0) ** 2
    site = fit.parameters.get("shift_sd_site")
    place, rest = (0.5 * own, 0.5 * own) if site is None else (site**2, own)
    return max(math.sqrt(place), 1.0), max(math.sqrt(rest + year), 1.0)


def _forecast(
    fit: FlightFit, series: StationSeries, year: int, flight: int, draws: int, seed: int
) -> DateDistribution | None:
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
    left: Array
    right: Array
    days: Array
    count: Array
    heat: Array

    @classmethod
    def of(cls, fit: FlightFit, series: StationSeries, year: int, records: pd.DataFrame) -> _Season | None:
        season, how = fit.settings.season, fit.settings.heat
        tmin, tmax = series.season_rows(season, year)
        heat, _, _ = running_heat(tmin, tmax, fit.base, how.upper_or_inf, how.method_code, how.cutoff_code)
        first = season.first_day(year).astype("datetime64[ns]")
        at = np.arange(heat.shape[1], dtype=np.float64)
        start, end = (
            (records[c].to_numpy().astype("datetime64[ns]") - first) / _DAY for c in ("start", "end")
        )
        left, right = np.interp(start, at, heat[0]), np.interp(end, at, heat[0])
        if not np.isfinite(right).all():
            return None
        return cls(fit, left, right, end - start, records["count"].to_numpy(dtype=np.float64), heat[0])

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
        share = np.zeros((grid.size, self.count.size))
        for g, weight in enumerate(flight_shares(self.fit), start=1):
            m, s = self.fit.requirement(g), self.fit.spread(g)
            share += weight * (
                shares_flown(code, self.right, m + grid, m, s) - shares_flown(code, self.left, m + grid, m, s)
            )
        share = (1.0 - stray) * np.maximum(share, 0.0) + stray * self.days / self.days.sum()
        share = np.maximum(share, 1e-12)
        share /= share.sum(axis=1, keepdims=True)
        if math.isinf(phi):
            return np.asarray(np.sum(self.count * np.log(share), axis=1))
        alpha = phi * share
        return np.asarray(np.sum(gammaln(alpha + self.count) - gammaln(alpha), axis=1))

    def days_per_heat(self, amount: float) -> float:
        """Return how many days one degree-day is worth when an amount of heat is reached."""
        known = self.heat[np.isfinite(self.heat)]
        at = min(int(np.searchsorted(known, amount)), known.size - 1)
        low, high = max(at - 7, 0), min(at + 7, known.size - 1)
        gain = known[high] - known[low]
        return float((high - low) / gain) if gain > 0 else 0.0


def _averaged(log_like: Array, grid: Array, sd: float) -> Array:
    """Return the log of the likelihood averaged over a season's own normal shift."""
    top = log_like.max()
    weight = np.exp(-0.5 * ((grid[:, np.newaxis] - grid[np.newaxis, :]) / sd) ** 2)
    # Near the ends of the grid the likelihood beyond is taken as at the end: the weights are made to add up to 1.
    weight /= weight.sum(axis=1, keepdims=True)
    return np.asarray(top + np.log(weight @ np.exp(log_like - top)))


def _mean_and_sd(log_density: Array, grid: Array) -> tuple[float, float]:
    weight = np.exp(log_density - log_density.max())
    weight /= weight.sum()
    mean = float(weight @ grid)
    return mean, math.sqrt(float(weight @ (grid - mean) ** 2))


def _year(
    label: str, found: _Season, dates: DateDistribution, log_like: Array, grid: Array, sd: float, slope: float
) -> YearCheck:
    shift = low = high = math.nan
    inside: bool | None = None
    if found.seen > 0 and found.count.size > 1:
        posterior = log_like - 0.5 * (grid / sd) ** 2
        mean, spread = _mean_and_sd(posterior, grid)
        shift, low, high = (v * slope for v in (mean, mean - 1.96 * spread, mean + 1.96 * spread))
        averaged = _averaged(log_like, grid, sd)
        inside = bool(2.0 * (averaged.max() - averaged[grid.size // 2]) <= _CHI_95)
    sentence = year_sentence(label, found.seen, dates, (shift, low, high), inside)
    return YearCheck(label, found.seen, dates, shift, low, high, inside, sentence)
