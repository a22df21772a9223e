"""The forecast of one season: for every place, flight and event the date as a distribution."""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from phenofit.errors import DataError, ModelError, Problem
from phenofit.flight.fit_at_place import fit_at_site
from phenofit.flight.fitted_likelihood import records_of_fit
from phenofit.forecasting.date_draws import LEVELS, event_dates
from phenofit.forecasting.distribution import DateDistribution, read_day
from phenofit.forecasting.event_heat import kept_drawing, place_shift
from phenofit.forecasting.events import FORECAST_EVENTS
from phenofit.forecasting.forecast_places import Place, season_places, season_year

if TYPE_CHECKING:
    from phenofit.flight import FlightFit
    from phenofit.records import Records

FORECAST_COLUMNS = (
    "species", "site", "station", "flight", "event", "season", "issued", "known_until", "past_seasons",
    "median", "low50", "high50", "low80", "high80", "low95", "high95", "chance_passed",
    "chance_not_this_season",
)  # fmt: skip
WEEK_COLUMNS = (
    "species", "site", "flight", "event", "week_start", "week_end", "chance_in_week", "chance_by_end",
)  # fmt: skip
_DAY = np.timedelta64(1, "D")


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
        Problems of the fit behind it.
    fit : FlightFit
        The fit.
    places : tuple of Place
        The places that are forecast, with their weather.
    """

    species: str
    season: str
    issued: np.datetime64
    terms: str
    events: tuple[EventForecast, ...]
    failed: tuple[tuple[str, str], ...]
    problems: tuple[str, ...]
    fit: FlightFit
    places: tuple[Place, ...]

    def __repr__(self) -> str:
        """Return the season, and median and 95 % interval of each event."""
        shown = self.table()[["site", "flight", "event", "median", "low95", "high95"]]
        days = {
            name: shown[name].dt.strftime("%Y-%m-%d").fillna("") for name in ("median", "low95", "high95")
        }
        head = f"{self.species or 'Forecast'}, season {self.season}, issued {self.issued}; heat sums: {self.terms}"
        return f"{head}\n{shown.assign(**days).to_string(index=False)}"

    def _repr_html_(self) -> str:
        """Return the same for a notebook."""
        return f"<pre>{html.escape(repr(self))}</pre>"

    def table(self) -> pd.DataFrame:
        """Return a row for each place and event, with the columns of ``FORECAST_COLUMNS``."""
        rows = []
        for one in self.events:
            row: dict[str, object] = {
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
        ends = [f"{end}{100 * level:.0f}" for level in LEVELS for end in ("low", "high")]
        dates = ["issued", "known_until", "median", *ends]
        table = table.astype(dict.fromkeys(dates, "datetime64[ns]"))
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
            Columns ``WEEK_COLUMNS``; ``week_start`` is the first day of a week and ``week_end`` its last.
        """
        rows = []
        for one in self.events:
            for week in range(count):
                start = self.issued + 7 * week * _DAY
                end = start + 7 * _DAY
                by_start, by_end = one.dates.chance_by(start), one.dates.chance_by(end)
                key = (self.species, one.site, one.flight, one.event)
                rows.append((*key, start, end - _DAY, by_end - by_start, by_end))
        table = pd.DataFrame(rows, columns=list(WEEK_COLUMNS))
        return table.astype({"week_start": "datetime64[ns]", "week_end": "datetime64[ns]"})


def forecast(
    fit: FlightFit,
    records: Records,
    *,
    today: str | np.datetime64,
    sites: Sequence[str] | None = None,
    events: Sequence[str] = FORECAST_EVENTS,
    shifts: Mapping[str, tuple[float, float]] | None = None,
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
    records : Records
        Weather (past seasons included), station links, biofix and sites. A forecast is made for each site with a
        trap-year; traps of one site that share a station share it.
    today : str or numpy.datetime64
        Day of issue; the weather before that day is used.
    sites : sequence of str, optional
        Sites of the trap table to forecast for, instead of those with a trap-year.
    events : sequence of str
        Events.
    shifts : mapping, optional
        What is known of the shift of a site apart from the fit: mean and SD [degC d], as
        :func:`phenofit.forecasting.local.local_check.local_check` gives it.
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
        If the fit did not converge, `today` is no date, or the day lies outside every season.
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
    issued = read_day(today)
    season = fit.settings.season
    records = records_of_fit(fit, records)
    places, failed = season_places(records, issued=issued, sites=sites, bridge=bridge)
    found: list[EventForecast] = []
    forecast_places: list[Place] = []
    for place in places:
        shift = (shifts or {}).get(place.site, place_shift(fit, place.site))
        try:
            here = fit_at_site(fit, place.site, records.traps)
        except ModelError as error:
            failed.append((place.site, str(error)))
            continue
        found += _at_place(here, place, events, (draws, seed), shift)
        forecast_places.append(place)
    if not found:
        raise DataError(
            [Problem(f"site '{site}' cannot be forecast: {reason}", "") for site, reason in failed]
        )
    year = season_year(season, issued)
    terms = f"{fit.settings.heat.describe(round(fit.base, 1))}, from {fit.settings.start_words}"
    return SeasonForecast(
        species=fit.settings.species,
        season=season.label(year),
        issued=issued,
        terms=terms,
        events=tuple(found),
        failed=tuple(failed),
        problems=fit.problems,
        fit=fit,
        places=tuple(forecast_places),
    )


def _at_place(
    fit: FlightFit,
    place: Place,
    events: Sequence[str],
    numbers: tuple[int, int],
    shift: tuple[float, float] | None,
) -> list[EventForecast]:
    draws, seed = numbers
    ensemble = place.ensemble
    found = []
    for flight in range(1, fit.settings.flights + 1):
        heat = kept_drawing(fit, tuple(events), flight=flight, draws=draws, seed=seed).at(shift)
        dates = event_dates(heat, ensemble.tmin, ensemble.tmax, start=place.start, heat=fit.settings.heat)
        if dates is None:
            reason = f"station {place.station} lacks temperatures, so the sum is unknown."
            raise DataError(Problem(reason, "Fill the gap."))
        known = (place.known_until, place.bridged_until, len(ensemble.years))
        found += [EventForecast(place.site, place.station, flight, e, dates[e], *known) for e in events]
    return found
