"""Map of the date of a flight event: this season beside the average season, with its interval."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from phenofit.errors import ModelError
from phenofit.files import phenofit_version
from phenofit.forecasting.event_heat import draw_heat
from phenofit.heat import accumulate, dates_reaching, degree_days
from phenofit.maps.dataset import grid_coordinates
from phenofit.maps.grid_weather import STANDARD_LAPSE, day_numbers, source_places, weather_on_cells
from phenofit.maps.kriging.trend import cell_heights
from phenofit.maps.projection import MapArea
from phenofit.units import format_degree_days

if TYPE_CHECKING:
    from phenofit.flight import FlightFit
    from phenofit.seasons import Season

_MOST_CELLS = 20_000


@dataclass(frozen=True)
class Relief:
    """Heights, and the fall of temperature with them.

    Parameters
    ----------
    elevation : DataArray
        Heights [m] on ``latitude`` and ``longitude``.
    lapse : float
        Fall of temperature with height [K/km].
    """

    elevation: xr.DataArray
    lapse: float = STANDARD_LAPSE


_WHOLE = MapArea()


def date_map(
    fit: FlightFit,
    weather: xr.Dataset,
    *,
    event: str = "flight_50",
    flight: int = 1,
    year: int | None = None,
    area: MapArea = _WHOLE,
    relief: Relief | None = None,
    level: float = 0.8,
    draws: int = 60,
    seed: int = 1,
) -> xr.Dataset:
    """Map when an event happens in a season, and how that compares with the average season.

    Parameters
    ----------
    fit : FlightFit
        Base, requirement and their uncertainty.
    weather : Dataset
        Daily ``tmin`` and ``tmax`` [degC] of stations ``(station, time)`` or of a grid
        ``(time, latitude, longitude)``, for this season and earlier ones. The attribute
        ``invented`` = 1 marks the map as made from invented data.
    event : str
        Such as ``"flight_50"``.
    flight : int
        Flight, counted from 1.
    year : int, optional
        Starting year of the season; by default the last one in the weather.
    area : MapArea
        The grid.
    relief : Relief, optional
        Heights; temperatures then follow the lapse rate.
    level : float
        Level of the interval.
    draws : int
        Number of draws of base, requirement and shift.
    seed : int
        Seed of the draws.

    Returns
    -------
    Dataset
        On ``(y, x)``: ``event_day`` (median), ``event_day_low``, ``event_day_high``, ``average_event_day`` [days
        after the start of the season], ``difference_days`` [day, positive = later than the average], ``reached``
        (share of draws in which the event is reached) [1].

    Raises
    ------
    ModelError
        If the season is not in the weather, no earlier season is, sums start at a biofix, or a setting makes
        no sense.
    MissingExtraError
        If the packages of the extra ``maps`` are not installed.

    Notes
    -----
    Days of the season that are still to come are taken from the earlier seasons in turn, one for each draw. The
    average is the mean over the earlier seasons of the date at the fitted base and requirement.
    """
    heat = fit.settings.heat
    if fit.settings.biofix or heat.method == "hourly":
        kind = "start at a biofix of each place" if fit.settings.biofix else "come from hourly temperatures"
        raise ModelError(f"heat sums that {kind} cannot be mapped.")
    if fit.settings.covariates:
        raise ModelError(
            f"the fit has effects of {', '.join(fit.settings.covariates)}, which are not known of every cell; map "
            "one place's fit (phenofit.flight.fit_at), or a fit without them."
        )
    if not 0.0 < level < 1.0 or draws < 2:
        raise ModelError("the level lies between 0 and 1, and there are at least two draws.")
    season = fit.settings.season
    sources = source_places(weather)
    days = day_numbers(sources.time).to_numpy().astype("datetime64[D]")
    this, earlier = _seasons(season, days, year)
    plane, _, grid = area.grid(sources.longitude, sources.latitude, coarser=2.5)
    cells = grid.points()
    if len(cells) > _MOST_CELLS:
        raise ModelError(
            f"a date map of {len(cells)} cells is too large ({_MOST_CELLS} at most); choose larger cells."
        )
    heights = None if relief is None else cell_heights(relief.elevation, plane, cells)
    lapse = STANDARD_LAPSE if relief is None else relief.lapse
    tmin, tmax = weather_on_cells(sources, plane, cells, heights=heights, lapse=lapse)
    cell_heat = _CellHeat(tmin, tmax, days, heat, season)
    drawn = draw_heat(fit, [event], flight=flight, draws=draws, seed=seed)
    found = np.column_stack(
        [
            cell_heat.event_days(this, base, amount, fill_from=earlier[k % len(earlier)])
            for k, (base, amount) in enumerate(zip(drawn.base, drawn.amount[:, 0], strict=True))
        ]
    )
    middle = float(fit.event_amount(event, flight))
    past = np.column_stack([cell_heat.event_days(y, fit.base, middle) for y in earlier])
    average = np.where(np.isfinite(past).all(axis=1), past.mean(axis=1), np.nan)
    tail = (1.0 - level) / 2.0
    low, median, high = (_quantile(found, share) for share in (tail, 0.5, 1.0 - tail))
    fields: dict[str, tuple[np.ndarray, str, str]] = {
        "event_day": (median, "median date of the event", "day"),
        "event_day_low": (low, f"lower end of the {level:.0%} interval of the date", "day"),
        "event_day_high": (high, f"upper end of the {level:.0%} interval of the date", "day"),
        "average_event_day": (average, f"mean date of the event over {len(earlier)} earlier seasons", "day"),
        "difference_days": (
            median - average,
            "this season's date minus the average, positive = later",
            "day",
        ),
        "reached": ((~np.isnan(found)).mean(axis=1), "share of draws in which the event is reached", "1"),
    }
    dataset = grid_coordinates(plane, grid)
    start = season.first_day(this)
    for name, (values, text, unit) in fields.items():
        since = f" [days after {start}]" if "event_day" in name and "average" not in name else ""
        since = " [days after the start of the season]" if "average" in name else since
        attributes = {"long_name": text + since, "units": unit, "grid_mapping": "crs"}
        dataset[name] = (("y", "x"), grid.full(values).astype(np.float32), attributes)
    last = days[np.isfinite(sources.tmax).any(axis=0)][-1]
    dataset.attrs = {
        "Conventions": "CF-1.11",
        "title": f"Date of {event}, flight {flight}, of {fit.settings.species or 'a moth'}, season {season.label(this)}",
        "source": f"phenofit {phenofit_version()}",
        "species": fit.settings.species,
        "event": event,
        "flight": flight,
        "season": season.label(this),
        "season_start": str(start),
        "earlier_seasons": ", ".join(season.label(y) for y in earlier),
        "weather_until": str(min(last, season.last_day(this))),
        "requirement": f"{format_degree_days(middle)} above {fit.base:.1f} °C, {heat.describe()}, from {season.start}",
        "level": level,
        "cell_m": grid.cell,
        "interpolation": (
            "nearest cell of the weather grid"
            if sources.gridded
            else "six nearest stations, inverse square of distance"
        ),
        "lapse_K_per_km": lapse if heights is not None else 0.0,
        "seed": seed,
        "draws": draws,
        "invented_data": "yes" if str(weather.attrs.get("invented", "")) == "1" else "no",
    }
    return dataset


def _seasons(season: Season, days: np.ndarray, year: int | None) -> tuple[int, list[int]]:
    started = sorted({int(y) for y in season.year_of(days) if y >= 0})
    whole = [y for y in started if season.first_day(y) >= days[0] and season.last_day(y) <= days[-1]]
    this = year if year is not None else (started[-1] if started else -1)
    if this not in started or season.first_day(this) < days[0]:
        raise ModelError(
            f"the weather does not hold the start of season {this}; it runs from {days[0]} to {days[-1]}."
        )
    earlier = [y for y in whole if y < this]
    if not earlier:
        raise ModelError(
            f"the weather holds no whole season before {season.label(this)}, so there is no average."
        )
    return this, earlier


def _quantile(days: np.ndarray, share: float) -> np.ndarray:
    """Return a quantile of each row; NaN where it lies among draws that do not reach the sum."""
    # Such a draw is later than every date: it moves the quantile and is not dropped.
    with np.errstate(invalid="ignore"):
        found = np.quantile(np.where(np.isnan(days), np.inf, days), share, axis=1)
    return np.where(np.isfinite(found), found, np.nan)


class _CellHeat:
    """Sums heat on the cells, season by season."""

    def __init__(
        self, tmin: np.ndarray, tmax: np.ndarray, days: np.ndarray, heat: Any, season: Season
    ) -> None:
        self.tmin, self.tmax, self.first = tmin, tmax, days[0]
        self.heat, self.season, self.last = heat, season, len(days) - 1

    def event_days(
        self, year: int, base: float, amount: float, *, fill_from: int | None = None
    ) -> np.ndarray:
        """Return the days after the start of a season at which a heat sum is reached, NaN where it is not."""
        if amount < 0.0:
            return np.full(len(self.tmin), -np.inf)
        calendar = self.season.days(year)
        tmin, tmax = self._season(year, len(calendar))
        if fill_from is not None:
            past_min, past_max = self._season(fill_from, len(calendar))
            coming = ~np.isfinite(tmin + tmax)
            # Only days after the last known day are still to come; a gap before it stays a gap.
            known = np.where(coming, -1, np.arange(len(calendar))).max(axis=1)
            coming &= np.arange(len(calendar)) > known[:, None]
            tmin, tmax = np.where(coming, past_min, tmin), np.where(coming, past_max, tmax)
        daily = degree_days(
            tmin,
            tmax,
            base=float(base),
            upper=self.heat.upper,
            method=self.heat.method,
            cutoff=self.heat.cutoff,
        )
        sums = accumulate(daily, start=self.season.start, dates=calendar)
        reached = np.asarray(dates_reaching(sums, float(amount), dates=calendar)).reshape(len(tmin), -1)[:, 0]
        offset = (reached - calendar[0].astype("datetime64[ns]")) / np.timedelta64(1, "D")
        return np.where(np.isnat(reached), np.nan, offset)

    def _season(self, year: int, length: int) -> tuple[np.ndarray, np.ndarray]:
        begin = int((self.season.first_day(year) - self.first) / np.timedelta64(1, "D"))
        index = begin + np.arange(length)
        inside = (index >= 0) & (index <= self.last)
        kept = np.clip(index, 0, self.last)
        return (np.where(inside, self.tmin[:, kept], np.nan), np.where(inside, self.tmax[:, kept], np.nan))
