"""The forecasters that are compared: what each learns from the training years, and what it predicts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import t as student_t

from phenofit.errors import ModelError
from phenofit.flight import fit_flights
from phenofit.flight.fit_at_place import fit_at
from phenofit.forecasting.date_draws import SeasonWalk
from phenofit.forecasting.distribution import DateDistribution, to_unit
from phenofit.forecasting.event_heat import EventDrawing, HeatDraws, flight_shares, place_shift
from phenofit.forecasting.weather_years import OpenSeason, StationSeries
from phenofit.seasons import MonthDay, Season

if TYPE_CHECKING:
    from phenofit.flight import FlightFit
    from phenofit.flight.model import FlightModel
    from phenofit.records import Records
    from phenofit.validate.thresholds.threshold import PublishedThreshold

FITTED, REFITTED, CALENDAR = "fitted", "published base, refitted", "calendar mean"
_LEAST_SITE_YEARS = 3


@dataclass(frozen=True)
class Setting:
    """What all forecasters of a validation share, apart from the records that they learn from."""

    model: FlightModel  # The model that is fitted.
    season: Season  # The season of the study.
    starts: Mapping[tuple[str, int], np.datetime64] | None = None  # Biofix of each (site, year).
    draws: int = 400  # Draws behind each forecast.
    seed: int = 1  # Their seed.
    min_moths: int = 5  # Fewest moths for which an event is scored.


@dataclass(frozen=True)
class Target:
    """One place and season to be forecast."""

    site: str  # Site.
    series: StationSeries  # Its station.
    year: int  # Year in which the season starts.
    years: tuple[int, ...] = ()  # Seasons that may continue the present one, where a part of it is not known.
    # Values of the covariates of the forecaster there.
    place: Mapping[str, object] = field(default_factory=dict)
    # Seasons of the station that are open already; shared by all targets of this station and year.
    opened: dict[tuple[Season, np.datetime64], OpenSeason] = field(default_factory=dict)

    def season(self, season: Season, start: np.datetime64) -> OpenSeason:
        """Return the weather of the season from `start` on."""
        key = (season, start)
        if key not in self.opened:
            self.opened[key] = self.series.open_season(season, self.year, years=self.years, start=start)
        return self.opened[key]


class Outlook(Protocol):
    """What a forecaster says of one flight at one place."""

    @property
    def events(self) -> tuple[str, ...]:
        """Events that it forecasts."""

    def date(self, event: str, issued: np.datetime64 | None = None) -> DateDistribution | None:
        """Return the date of an event, all weather known, or that before a day; None where a sum is unknown."""


class Forecaster(Protocol):
    """A trained forecaster; `covariates` are the columns of a place that it needs."""

    covariates: tuple[str, ...]
    setting: Setting

    def outlook(self, target: Target, flight: int, events: tuple[str, ...]) -> Outlook | None:
        """Return the dates of those of the events that it knows; ``None`` without a start of the sum."""


def draw_moths(
    totals: npt.NDArray[np.float64], share: float, draws: int, seed: int, least: int
) -> npt.NDArray[np.float64]:
    """Draw how many moths of a flight a trap catches, from the training trap-years that would be scored."""
    catches = totals * share
    enough = catches[catches >= least]
    if enough.size == 0:
        enough = np.array([float(max(least, 1))])
    return np.random.default_rng([seed, 77]).choice(enough, size=draws)


class Fitted:
    """Base and requirement fitted to the training catches, or with the base held."""

    def __init__(
        self,
        train: Records,
        setting: Setting,
        *,
        season: Season | None = None,
        model: FlightModel | None = None,
    ) -> None:
        self.setting = setting
        self.season = season or setting.season
        # A curve to be chosen is chosen here, on the training records alone.
        self.fit: FlightFit = fit_flights(
            replace(train, season=self.season), model or setting.model, profiles=False, precise=False
        )
        self.totals = self.fit.data["total"].to_numpy(dtype=np.float64)
        self.covariates = self.fit.settings.covariates
        self._drawings: dict[tuple[Any, ...], EventDrawing] = {}

    def outlook(self, target: Target, flight: int, events: tuple[str, ...]) -> SeasonWalk | None:
        """Return the dates of events with the fit's error, the shifts and the sampling of moths in them."""
        start = start_of(self.setting, self.season, target)
        if start is None:
            return None
        key = (flight, events, *(target.place[c] for c in self.covariates))
        if key not in self._drawings:
            s = self.setting
            moths = draw_moths(
                self.totals, float(flight_shares(self.fit)[flight - 1]), s.draws, s.seed, s.min_moths
            )
            self._drawings[key] = EventDrawing.of(
                fit_at(self.fit, target.place), events, flight=flight, draws=s.draws, seed=s.seed, moths=moths
            )
        heat = self._drawings[key].at(place_shift(self.fit, target.site))
        return SeasonWalk(heat, target.season(self.season, start), self.fit.settings.heat)


class Published:
    """A published threshold on its own terms: its base, sum, method and start. It states no error, so it has none."""

    covariates: tuple[str, ...] = ()

    def __init__(self, threshold: PublishedThreshold, setting: Setting) -> None:
        if threshold.unusable is not None or threshold.base is None:
            raise ModelError(f"'{threshold.id}' cannot forecast: {threshold.unusable}.")
        self.setting, self.threshold, self.base = setting, threshold, threshold.base
        self.season = season_from(threshold.start, setting.season, biofix=setting.starts is not None)
        self.heat = threshold.heat_settings(setting.model.heat)

    def outlook(self, target: Target, flight: int, events: tuple[str, ...]) -> Outlook | None:
        """Return the one date on which the sum is reached (in each continuation of the weather)."""
        wanted = self.threshold
        if flight != wanted.flight or wanted.event not in events:
            return FixedDates({})
        start = start_of(self.setting, self.season, target)
        if start is None:
            return None
        draws = HeatDraws(np.array([self.base]), np.array([[wanted.amount_degc_d]]), (wanted.event,))
        return SeasonWalk(draws, target.season(self.season, start), self.heat)


@dataclass(frozen=True)
class FixedDates:
    """Dates that no weather changes."""

    dates: Mapping[str, DateDistribution]

    @property
    def events(self) -> tuple[str, ...]:
        """Events that have a date."""
        return tuple(self.dates)

    def date(self, event: str, issued: np.datetime64 | None = None) -> DateDistribution:  # noqa: ARG002
        """Return the date of an event, the same on every day of issue."""
        return self.dates[event]


class Calendar:
    """The mean calendar date of the training years: of the site where it has three of them, else of all sites."""

    covariates: tuple[str, ...] = ()

    def __init__(self, train: Records, observed: pd.DataFrame, setting: Setting) -> None:
        self.setting = setting
        merged = observed.merge(train.trap_years.years[["trap_year", "site", "year"]], on="trap_year")
        first = np.array([setting.season.first_day(int(y)) for y in merged["year"]], dtype="datetime64[ns]")
        days = (merged["observed"].to_numpy() - first) / np.timedelta64(1, "D")
        leap = np.array([leap_day(setting.season, int(y)) for y in merged["year"]])
        # Averaged by month and day: a leap day moves nothing.
        merged["days"] = days - (days >= leap)
        self.table = dict(list(merged.groupby(["flight", "event"], sort=True)))
        self._known: dict[tuple[str, int, str], npt.NDArray[np.float64] | None] = {}

    def outlook(self, target: Target, flight: int, events: tuple[str, ...]) -> FixedDates:
        """Return dates spread as the training years were, by Student's t for their small number."""
        found: dict[str, DateDistribution] = {}
        start = self.setting.season.first_day(target.year)
        leap = leap_day(self.setting.season, target.year)
        for event in events:
            key = (target.site, flight, event)
            if key not in self._known:
                self._known[key] = self._days(*key)
            days = self._known[key]
            if days is not None:
                found[event] = DateDistribution(start, days + (days >= leap))
        return FixedDates(found)

    def _days(self, site: str, flight: int, event: str) -> npt.NDArray[np.float64] | None:
        """Return equally likely days of a common year, or ``None`` where fewer than two years have any."""
        rows = self.table.get((flight, event))
        if rows is None:
            return None
        own = rows[rows["site"] == site].groupby("year")["days"].mean()
        # One number a year: the traps of a late year are all late, and are not independent evidence.
        years = own if len(own) >= _LEAST_SITE_YEARS else rows.groupby("year")["days"].mean()
        if len(years) < 2:
            return None
        variance = float(years.var(ddof=1)) * (1.0 + 1.0 / len(years))
        if len(own) < _LEAST_SITE_YEARS:
            within = rows["days"] - rows.groupby("year")["days"].transform("mean")
            variance += float(np.mean(within**2))
        levels = (np.arange(self.setting.draws) + 0.5) / self.setting.draws
        spread = student_t.ppf(levels, len(years) - 1)
        return np.asarray(float(years.mean()) + np.sqrt(variance) * spread, dtype=np.float64)


def start_of(setting: Setting, season: Season, target: Target) -> np.datetime64 | None:
    """Return the day on which sums begin at a target, or ``None`` where its biofix is not known."""
    if setting.starts is None:
        return season.first_day(target.year)
    given = setting.starts.get((target.site, target.year))
    return None if given is None or np.isnat(given) else to_unit(given, "D")


@lru_cache(maxsize=4096)
def leap_day(season: Season, year: int) -> float:
    """Return how many days after its start a season has a 29 February; infinite where it has none."""
    days = season.days(year).astype(str)
    at = [k for k, day in enumerate(days) if day.endswith("-02-29")]
    return float(at[0]) if at else np.inf


def season_from(start: str | None, season: Season, *, biofix: bool) -> Season:
    """Return the study's season with sums from a published start."""
    if start is None:
        raise ModelError("a threshold without a start cannot be summed.")
    if (start == "biofix") != biofix:
        raise ModelError(
            "the threshold counts from a biofix, the study from a date."
            if start == "biofix"
            else "the threshold counts from a date, the study from a biofix."
        )
    if start == "biofix":
        return season
    day = MonthDay.parse(start)
    # In a season across New Year a start in the new year would belong to another year's label.
    if season.crosses_new_year and day <= season.end:
        raise ModelError(
            f"the threshold counts from {start}, after New Year in a season that begins {season.start}."
        )
    return Season(day, season.end)


def on_terms(threshold: PublishedThreshold, model: FlightModel, *, base_held: bool = True) -> FlightModel:
    """Return a model with the method, upper threshold and base of a published threshold."""
    heat = threshold.heat_settings(model.heat)
    base = threshold.base if base_held and threshold.base is not None else "fit"
    return model.on_other_terms(heat=heat, base=base)
