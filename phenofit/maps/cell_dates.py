"""Dates of an event in cells with daily temperatures: one season, as far as it is known, beside earlier ones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from phenofit.errors import ModelError
from phenofit.forecasting.event_heat import HeatDraws, draw_heat
from phenofit.units import format_degree_days

if TYPE_CHECKING:
    from phenofit.flight import FlightFit
    from phenofit.heat.settings import HeatSettings
    from phenofit.seasons import Season

Floats = npt.NDArray[np.float64]
Temperatures = npt.NDArray[np.floating]


@dataclass(frozen=True)
class CellDates:
    """What is asked of each cell: an event of a fit in a season, beside the earlier seasons of its weather."""

    drawn: HeatDraws
    middle: HeatDraws  # The estimates themselves, as one draw.
    heat: HeatSettings
    season: Season
    year: int  # In which the season starts.
    earlier: tuple[int, ...]  # Earlier seasons, whole in the weather.
    event: str
    flight: int
    level: float
    species: str

    @classmethod
    def of(
        cls,
        fit: FlightFit,
        days: npt.NDArray[np.datetime64],
        *,
        event: str,
        flight: int,
        year: int | None,
        level: float,
        draws: int,
        seed: int,
    ) -> CellDates:
        """Draw the heat at the event, and find the seasons in a calendar; refuse a fit that no cell can use."""
        settings = fit.settings
        if settings.biofix or settings.heat.method == "hourly":
            kind = "start at a biofix of each place" if settings.biofix else "come from hourly temperatures"
            raise ModelError(f"heat sums that {kind} cannot be mapped.")
        if settings.covariates:
            raise ModelError(
                f"the fit has effects of {', '.join(settings.covariates)}, which are not known of every cell; map "
                "one place's fit (phenofit.flight.fit_at), or a fit without them."
            )
        if not 0.0 < level < 1.0 or draws < 2:
            raise ModelError("the level lies between 0 and 1, and there are at least two draws.")
        this, earlier = _seasons(settings.season, days, year)
        drawn = draw_heat(fit, [event], flight=flight, draws=draws, seed=seed)
        upper = None if drawn.upper is None else np.array([fit.parameters["upper"]])
        amount = np.array([[float(fit.event_amount(event, flight))]])
        middle = HeatDraws(np.array([fit.base]), amount, (event,), upper)
        where = (settings.heat, settings.season, this, earlier)
        return cls(drawn, middle, *where, event, flight, level, settings.species)

    def fields(
        self, tmin: Temperatures, tmax: Temperatures, days: npt.NDArray[np.datetime64]
    ) -> dict[str, Floats]:
        """Return the fields of a map, shape (cells,) each, from temperatures of shape (cells, days) [degC].

        A cell without any temperature in the season has NaN everywhere.
        """
        weather = _CellWeather(tmin, tmax, days[0], self.season)
        found = self._as_of_now(weather)
        past = np.column_stack(
            [self._crossed(self.middle, *weather.season(year))[:, 0] for year in self.earlier]
        )
        average = np.where(np.isfinite(past).all(axis=1), past.mean(axis=1), np.nan)
        tail = (1.0 - self.level) / 2.0
        # A draw that does not reach the sum is later than every date: it moves the quantile and is not dropped.
        known = np.where(np.isnan(found), np.inf, found)
        with np.errstate(invalid="ignore"):
            low, median, high = np.quantile(known, (tail, 0.5, 1.0 - tail), axis=1)
        empty = ~np.isfinite(weather.season(self.year)[1]).any(axis=1)
        fields = {
            "event_day": median,
            "event_day_low": low,
            "event_day_high": high,
            "average_event_day": average,
            "difference_days": median - average,
            "reached": np.where(empty, np.nan, np.isfinite(found).mean(axis=1)),
        }
        return {name: np.where(np.isfinite(values), values, np.nan) for name, values in fields.items()}

    def _as_of_now(self, weather: _CellWeather) -> Floats:
        """Return the date of each draw in each cell, shape (cells, draws), the days to come from the earlier seasons in turn."""
        draws = self.drawn.base.size
        found = np.empty((weather.cells, draws))
        for position, year in enumerate(self.earlier):
            chosen = np.arange(position, draws, len(self.earlier))
            if chosen.size:
                season = weather.continued(self.year, year)
                found[:, chosen] = self._crossed(self.drawn.taken(chosen), *season)
        return found

    def _crossed(self, draws: HeatDraws, tmin: Floats, tmax: Floats) -> Floats:
        """Return the day on which each draw is reached in each cell; infinite where it is not within the season."""
        cells, number = len(tmin), draws.base.size
        member = np.repeat(np.arange(cells, dtype=np.int64), number)
        each = draws.taken(np.tile(np.arange(number), cells))
        days = each.crossings(tmin, tmax, self.heat, member=member).reshape(cells, number)
        return np.where(days >= tmin.shape[1] - 1, np.inf, days)

    def attributes(self) -> dict[str, object]:
        """Return what the map says of its event, season and heat."""
        season, base = self.season, float(self.middle.base[0])
        amount = format_degree_days(float(self.middle.amount[0, 0]))
        return {
            "title": f"Date of {self.event}, flight {self.flight}, of {self.species or 'a moth'}, season {season.label(self.year)}",
            "species": self.species,
            "event": self.event,
            "flight": self.flight,
            "season": season.label(self.year),
            "season_start": str(season.first_day(self.year)),
            "earlier_seasons": ", ".join(season.label(y) for y in self.earlier),
            "requirement": f"{amount} above {base:.1f} °C, {self.heat.describe()}, from {season.start}",
            "level": self.level,
            "draws": self.drawn.base.size,
        }

    def field_words(self) -> dict[str, tuple[str, str]]:
        """Return what each field is, and its unit."""
        since = f"[days after {self.season.first_day(self.year)}]"
        number = len(self.earlier)
        average = f"mean date of the event over {number} earlier seasons [days after the start of the season]"
        return {
            "event_day": (f"median date of the event {since}", "day"),
            "event_day_low": (f"lower end of the {self.level:.0%} interval of the date {since}", "day"),
            "event_day_high": (f"upper end of the {self.level:.0%} interval of the date {since}", "day"),
            "average_event_day": (average, "day"),
            "difference_days": ("this season's date minus the average, positive = later", "day"),
            "reached": ("share of draws in which the event is reached", "1"),
        }


@dataclass(frozen=True)
class _CellWeather:
    """Temperatures of cells on a complete calendar, cut into seasons with the day after them."""

    tmin: Temperatures
    tmax: Temperatures
    first: np.datetime64
    of: Season

    @property
    def cells(self) -> int:
        return len(self.tmin)

    def season(self, year: int) -> tuple[Floats, Floats]:
        """Return a season and the day after it; NaN where the calendar does not reach."""
        return self._on(year, len(self.of.days(year)) + 1)

    def continued(self, year: int, other: int) -> tuple[Floats, Floats]:
        """Return a season whose days after the last known one are those of another season."""
        length = len(self.of.days(year)) + 1
        tmin, tmax = self._on(year, length)
        known = np.isfinite(tmin) & np.isfinite(tmax)
        if known.all():
            return tmin, tmax
        # A gap before the last known day stays a gap.
        last = np.where(known, np.arange(length), -1).max(axis=1)
        coming = np.arange(length) > last[:, np.newaxis]
        past_min, past_max = self._on(other, length)
        return np.where(coming, past_min, tmin), np.where(coming, past_max, tmax)

    def _on(self, year: int, length: int) -> tuple[Floats, Floats]:
        begin = int((self.of.first_day(year) - self.first) / np.timedelta64(1, "D"))
        index = begin + np.arange(length)
        inside = (index >= 0) & (index < self.tmin.shape[1])
        kept = np.clip(index, 0, self.tmin.shape[1] - 1)
        low, high = (
            np.where(inside, part[:, kept], np.nan).astype(np.float64) for part in (self.tmin, self.tmax)
        )
        return low, high


def _seasons(
    season: Season, days: npt.NDArray[np.datetime64], year: int | None
) -> tuple[int, tuple[int, ...]]:
    started = sorted({int(y) for y in season.year_of(days) if y >= 0})
    whole = [y for y in started if season.first_day(y) >= days[0] and season.last_day(y) <= days[-1]]
    this = year if year is not None else (started[-1] if started else -1)
    if this not in started or season.first_day(this) < days[0]:
        raise ModelError(
            f"the weather does not hold the start of season {this}; it runs from {days[0]} to {days[-1]}."
        )
    earlier = tuple(y for y in whole if y < this)
    if not earlier:
        raise ModelError(
            f"the weather holds no whole season before {season.label(this)}, so there is no average."
        )
    return this, earlier
