"""The forecast of one season: for every place, flight and event the date as a distribution."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import DataError, ModelError, Problem
from phenofit.forecast.dates import LEVELS, event_dates
from phenofit.forecast.distribution import DateDistribution, moment
from phenofit.forecast.events import FORECAST_EVENTS
from phenofit.forecast.levels import draw_heat, flight_shares, place_shift
from phenofit.forecast.weather_years import SeasonEnsemble, StationSeries, station_series
from phenofit.seasons import Season

if TYPE_CHECKING:
    import xarray as xr

    from phenofit.flight import FlightFit

__all__ = [
    "FORECAST_COLUMNS",
    "WEEK_COLUMNS",
    "EventForecast",
    "SeasonForecast",
    "day_after_last",
    "forecast",
    "forecast_season",
    "season_year",
]

FORECAST_COLUMNS = (
    "species",
    "site",
    "station",
    "flight",
    "event",
    "season",
    "issued",
    "known_until",
    "past_seasons",
    "median",
    "low50",
    "high50",
    "low80",
    "high80",
    "low95",
    "high95",
    "chance_passed",
    "chance_not_this_season",
)
WEEK_COLUMNS = (
    "species",
    "site",
    "flight",
    "event",
    "week_start",
    "week_end",
    "chance_in_week",
    "chance_by_end",
)
_DAY = np.timedelta64(1, "D")
_FORECAST_SOURCE = 4


@dataclass(frozen=True)
class EventForecast:
    """The forecast of one event at one place.

    Parameters
    ----------
    site, station : str
        Place and its station.
    flight : int
        Flight.
    event : str
        Event.
    dates : DateDistribution
        When it happens.
    known_until : numpy.datetime64
        Last day whose weather is known (datetime64[D]); later days are those of past seasons.
    bridged_until : numpy.datetime64 or None
        Last day taken from a numerical weather forecast, where asked for.
    past_seasons : int
        How many past seasons continue the present one.
    """

    site: str
    station: str
    flight: int
    event: str
    dates: DateDistribution
    known_until: np.datetime64
    bridged_until: np.datetime64 | None
    past_seasons: int


@dataclass(frozen=True)
class SeasonForecast:
    """All forecasts of a season as of one day.

    Parameters
    ----------
    species : str
        Label.
    season : str
        Label of the season.
    issued : numpy.datetime64
        Day of issue (datetime64[D]); the weather of that day and later is not known.
    terms : str
        Base, method and start in words.
    events : tuple of EventForecast
        Site by site.
    failed : tuple of (site, reason)
        Places without a forecast.
    problems : tuple of str
        What stands against the fit behind it.
    """

    species: str
    season: str
    issued: np.datetime64
    terms: str
    events: tuple[EventForecast, ...]
    failed: tuple[tuple[str, str], ...]
    problems: tuple[str, ...]

    def table(self) -> pd.DataFrame:
        """Return a row for each place and event, with the columns of ``FORECAST_COLUMNS``."""
        rows = []
        for one in self.events:
            row: dict[str, Any] = {
                "species": self.species,
                "site": one.site,
                "station": one.station,
                "flight": one.flight,
                "event": one.event,
                "season": self.season,
                "issued": self.issued,
                "known_until": one.known_until,
                "past_seasons": one.past_seasons,
                "median": one.dates.quantile(0.5),
                "chance_passed": one.dates.chance_by(self.issued),
                "chance_not_this_season": one.dates.chance_not_this_season,
            }
            for level in LEVELS:
                row[f"low{level * 100:.0f}"], row[f"high{level * 100:.0f}"] = one.dates.interval(level)
            rows.append(row)
        table = pd.DataFrame(rows, columns=list(FORECAST_COLUMNS))
        for name in (
            "issued",
            "known_until",
            "median",
            *(f"{e}{v}" for v in (50, 80, 95) for e in ("low", "high")),
        ):
            table[name] = table[name].astype("datetime64[ns]")
        table.attrs.update(failed=self.failed, problems=self.problems, terms=self.terms)
        return table

    def weeks(self, count: int = 8) -> pd.DataFrame:
        """Return the chance of each event in each coming week.

        Parameters
        ----------
        count : int
            Number of weeks from the day of issue.

        Returns
        -------
        pandas.DataFrame
            Columns ``WEEK_COLUMNS``; a week ends on the day before ``week_end`` + 1.
        """
        rows = []
        for one in self.events:
            for week in range(count):
                start = self.issued + 7 * week * _DAY
                end = start + 7 * _DAY
                by_start, by_end = one.dates.chance_by(start), one.dates.chance_by(end)
                rows.append(
                    (
                        self.species,
                        one.site,
                        one.flight,
                        one.event,
                        start,
                        end - _DAY,
                        by_end - by_start,
                        by_end,
                    )
                )
        table = pd.DataFrame(rows, columns=list(WEEK_COLUMNS))
        for name in ("week_start", "week_end"):
            table[name] = table[name].astype("datetime64[ns]")
        return table


def forecast(
    fit: FlightFit,
    weather: xr.Dataset,
    links: pd.DataFrame,
    *,
    today: str | np.datetime64,
    **options: Any,
) -> pd.DataFrame:
    """Forecast the dates of a season, as a table.

    Parameters
    ----------
    fit, weather, links, today
        As for :func:`forecast_season`.
    **options
        Further options of :func:`forecast_season`.

    Returns
    -------
    pandas.DataFrame
        A row for each place, flight and event, with the columns of ``FORECAST_COLUMNS``; dates are medians and
        central intervals, chances lie between 0 and 1. ``attrs`` holds ``failed``, ``problems`` and ``terms``.

    Raises
    ------
    DataError, ModelError
        As :func:`forecast_season`.
    """
    return forecast_season(fit, weather, links, today=today, **options).table()


def forecast_season(
    fit: FlightFit,
    weather: xr.Dataset,
    links: pd.DataFrame,
    *,
    today: str | np.datetime64,
    sites: Mapping[str, str] | None = None,
    events: Sequence[str] = FORECAST_EVENTS,
    starts: Mapping[tuple[str, int], np.datetime64] | None = None,
    moths: float | None = None,
    bridge: bool = False,
    draws: int = 1000,
    seed: int = 1,
    accept_unconverged: bool = False,
) -> SeasonForecast:
    """Forecast the dates of a season from the weather so far and past seasons at the same place.

    Parameters
    ----------
    fit : FlightFit
        The fitted flights.
    weather : xarray.Dataset
        Daily `tmin` and `tmax` [degC] on (station, time), past seasons included.
    links : pandas.DataFrame
        ``trap, station``; one forecast is made for each trap (or site, see `sites`).
    today : str or numpy.datetime64
        Day of issue; the weather before that day is used.
    sites : mapping, optional
        Site of each trap; traps of one site that share a station then share a forecast.
    events : sequence of str
        Events.
    starts : mapping, optional
        Biofix of each (site, year), for a fit that counts from one.
    moths : float, optional
        Moths of a flight that a trap catches in a season; the catches behind the fit by default.
    bridge : bool
        Use days marked as a numerical weather forecast (`source` 4) before past seasons take over.
    draws, seed : int
        Draws behind each distribution and their seed.
    accept_unconverged : bool
        Forecast even from a fit whose search did not converge.

    Returns
    -------
    SeasonForecast

    Raises
    ------
    ModelError
        If the fit did not converge, or the day lies outside every season.
    DataError
        If no place can be forecast; names each with its reason.

    Notes
    -----
    Each draw takes parameters from the error of the fit, a shift from the shifts between years and trap-years, the
    sampling error of a trap's catch, and the weather of one past season from the day of issue on. The intervals are
    those whose coverage :func:`phenofit.validate.cross_validate` counts.
    """
    if not fit.converged and not accept_unconverged:
        raise ModelError(
            "the fit did not converge, so its forecast would mean nothing; refit, or say that you accept it."
        )
    issued = moment(today, "D")
    season = fit.settings.season
    year = season_year(season, issued)
    series = station_series(weather)
    found: list[EventForecast] = []
    failed: list[tuple[str, str]] = []
    for site, station in _places(links, sites):
        try:
            if station not in series:
                raise DataError(Problem("no weather station is linked to it.", "See the station limit."))
            start = _start(season, year, site, starts)
            before, bridged = _known(series[station], weather, issued, bridge)
            ensemble = series[station].continued(
                season, year, before=before, years=_past(series[station], year), start=start
            )
            found += _at_place(
                fit, site, station, ensemble, start, events, (moths, draws, seed), (before - _DAY, bridged)
            )
        except DataError as error:
            failed.append((site, "; ".join(str(p) for p in error.problems)))
    if not found:
        raise DataError([Problem(f"site {site} cannot be forecast: {reason}", "") for site, reason in failed])
    terms = f"{fit.settings.heat.describe(round(fit.base, 1))}, from {fit.settings.start_words}"
    return SeasonForecast(
        fit.settings.species, season.label(year), issued, terms, tuple(found), tuple(failed), fit.problems
    )


def season_year(season: Season, day: np.datetime64) -> int:
    """Return the year in which the season of a day starts.

    Raises
    ------
    ModelError
        If the day lies in no season.
    """
    year = int(season.year_of(np.array([day], dtype="datetime64[D]"))[0])
    if year < 0:
        raise ModelError(f"{day} lies outside the season, which runs from {season.start} to {season.end}.")
    return year


def day_after_last(weather: xr.Dataset) -> np.datetime64:
    """Return the day after the last day on which any station has observed temperatures (datetime64[D]).

    Raises
    ------
    DataError
        If no station has any.
    """
    known = weather["tmin"].notnull() & weather["tmax"].notnull()
    if "source" in weather:
        known = known & (weather["source"] != _FORECAST_SOURCE)
    at = np.flatnonzero(known.any(dim="station").to_numpy())
    if at.size == 0:
        raise DataError(Problem("no station has a day with both temperatures.", "Check the weather table."))
    last: np.datetime64 = weather["time"].to_numpy()[at[-1]].astype("datetime64[D]") + _DAY
    return last


def _places(links: pd.DataFrame, sites: Mapping[str, str] | None) -> list[tuple[str, str]]:
    names = [str(t) if sites is None else str(sites.get(str(t), t)) for t in links["trap"]]
    return sorted(set(zip(names, links["station"].astype(str), strict=True)))


def _start(
    season: Season, year: int, site: str, starts: Mapping[tuple[str, int], np.datetime64] | None
) -> np.datetime64:
    if starts is None:
        return season.first_day(year)
    given = starts.get((site, year))
    if given is None or np.isnat(given):
        raise DataError(
            Problem(
                "it has no biofix date this season yet.", "Add its row to the biofix table once it is known."
            )
        )
    return moment(given, "D")


def _known(
    series: StationSeries, weather: xr.Dataset, issued: np.datetime64, bridge: bool
) -> tuple[np.datetime64, np.datetime64 | None]:
    """Return the first day whose weather is not known, and the last day of a numerical forecast."""
    known = np.isfinite(series.tmin) & np.isfinite(series.tmax)
    days = series.first + np.arange(series.tmin.size).astype("timedelta64[D]")
    ahead = np.zeros(days.size, dtype=bool)
    if "source" in weather:
        source = weather["source"].sel(station=series.station).to_numpy()
        ahead = known & (source == _FORECAST_SOURCE)
    seen = np.flatnonzero(known & ~ahead & (days < issued))
    before: np.datetime64 = days[seen[-1]] + _DAY if seen.size else series.first
    if not bridge:
        return before, None
    last = None
    # Forecast days count only as an unbroken run from the last observed day.
    while (at := int((before - series.first).astype(np.int64))) < days.size and ahead[at]:
        last, before = days[at], before + _DAY
    return before, last


def _past(series: StationSeries, year: int) -> tuple[int, ...]:
    first = int(str(series.first)[:4])
    return tuple(range(first - 1, year))


def _at_place(
    fit: FlightFit,
    site: str,
    station: str,
    ensemble: SeasonEnsemble,
    start: np.datetime64,
    events: Sequence[str],
    numbers: tuple[float | None, int, int],
    known: tuple[np.datetime64, np.datetime64 | None],
) -> list[EventForecast]:
    moths, draws, seed = numbers
    found = []
    for flight in range(1, fit.settings.flights + 1):
        heat = draw_heat(
            fit,
            events,
            flight=flight,
            draws=draws,
            seed=seed,
            moths=_moths(fit, flight, draws, seed) if moths is None else moths,
            shift=place_shift(fit, site),
        )
        dates = event_dates(heat, ensemble.tmin, ensemble.tmax, start=start, heat=fit.settings.heat)
        if dates is None:
            raise DataError(
                Problem(f"station {station} lacks temperatures, so the sum is unknown.", "Fill the gap.")
            )
        found += [
            EventForecast(site, station, flight, e, dates[e], known[0], known[1], len(ensemble.years))
            for e in events
        ]
    return found


def _moths(fit: FlightFit, flight: int, draws: int, seed: int) -> npt.NDArray[np.float64]:
    totals = fit.data["total"].to_numpy(dtype=np.float64) * flight_shares(fit)[flight - 1]
    return np.random.default_rng([seed, flight, 78]).choice(np.maximum(totals, 1.0), size=draws)
