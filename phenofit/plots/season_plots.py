"""Figures of a season: heat of past seasons and this one, and the forecast of one place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from numpy.typing import NDArray

from phenofit.errors import ModelError
from phenofit.flight.result import FlightFit
from phenofit.forecasting.events import event_words
from phenofit.forecasting.forecast_places import Place, place_heat
from phenofit.forecasting.season_forecast import EventForecast, SeasonForecast
from phenofit.plots.flight_curves import SeasonHeat, season_heat
from phenofit.plots.style import BLUE, INK, PALE, VERMILION, day_axis, one_panel, settle, styled
from phenofit.seasons import Season
from phenofit.wording import day, heat_words, start_words

_DAY = np.timedelta64(1, "D")
_LINES = 12  # continuations that are drawn one by one
_BANDS = ((0.025, 0.975, "#e6e6e6"), (0.25, 0.75, "#c9c9c9"))


def plot_heat(
    fit: FlightFit,
    weather: xr.Dataset,
    station: str,
    *,
    ax: Axes | None = None,
    style: str | None = "phenofit",
) -> Axes:
    """Draw the heat of the seasons at one station, with the heat between which each flight flies.

    Parameters
    ----------
    fit : FlightFit
        A fit whose heat is summed from a fixed day, not from a biofix.
    weather : xarray.Dataset
        Daily temperatures, see :func:`phenofit.read_weather`.
    station : str
        A station of the weather.
    ax : matplotlib.axes.Axes, optional
        Where to draw; without it, on a new figure.
    style : str or None
        A matplotlib style: the package's own by default; None leaves the settings of matplotlib as they are.

    Returns
    -------
    matplotlib.axes.Axes
        Heat since the start [°C-days] against the date: grey the whole seasons, dashed their median, red the season that
        is not over. Bands: the heat between 5 and 95 % of each flight, with a line at half.

    Raises
    ------
    ModelError
        If the fit counts from a biofix, or the weather has no such station.

    Examples
    --------
    ::

        phenofit.plot_heat(fit, records.weather, "S01")
    """
    if fit.settings.biofix:
        raise ModelError(
            "the heat of a fit with a biofix starts on another day at each place; draw a forecast instead."
        )
    stations = [str(name) for name in weather["station"].to_numpy()]
    if station not in stations:
        raise ModelError(f"the weather has no station '{station}'; it has {', '.join(stations)}.")
    with styled(style):
        axes = one_panel(ax, 3.3)
        draw_heat(axes, season_heat(fit, weather, station), fit.settings.season, words=heat_words(fit))
    return axes


def draw_heat(axes: Axes, heat: SeasonHeat, season: Season, *, words: str) -> None:
    """Draw heat through this season against past ones, with the heat at which each flight flies."""
    top = 1.12 * max(high for _, _, high in heat.bands)
    curves = list(heat.past.values())
    for values in curves:
        axes.plot(heat.days, values, color="#b5b5b5", linewidth=0.8)
    if curves:
        axes.plot(heat.days, np.median(curves, axis=0), color=INK, linewidth=1.2, linestyle="--")
    if heat.current is not None:
        axes.plot(heat.days, heat.current[1], color=VERMILION, linewidth=2.2)
    first = [float(np.interp(heat.bands[0][0], values, heat.days)) for values in curves]
    last = [float(np.interp(heat.bands[-1][2], values, heat.days)) for values in curves]
    so_far = float(np.isfinite(heat.current[1]).sum()) if heat.current is not None else np.inf
    low = max(0.0, min(min(first, default=60.0) - 45, so_far - 45))
    high = min(float(heat.days[-1]), max(last, default=280.0) + 12)
    for flight, (start, half, end) in enumerate(heat.bands, start=1):
        axes.axhspan(start, end, color=PALE, alpha=0.75, linewidth=0)
        axes.axhline(half, color=BLUE, linewidth=1.0)
        name = f"flight {flight}" if len(heat.bands) > 1 else "flight"
        axes.annotate(
            f"{name}: 5, 50, 95 % at {start:.0f}, {half:.0f}, {end:.0f}", (0.008, half),
            xycoords=("axes fraction", "data"), xytext=(0, 3), textcoords="offset points", fontsize="small", color=BLUE,
        )  # fmt: skip
    axes.set_ylim(0, top)
    day_axis(axes, season, low, high)
    settle(
        axes,
        x=f"date, station {heat.station}",
        y=f"heat since {start_words(str(season.start))} [°C-days]\n{words}",
    )
    handles = [Line2D([], [], color="#b5b5b5", linewidth=0.8, label=f"{len(curves)} past seasons")]
    if curves:
        handles.append(Line2D([], [], color=INK, linewidth=1.2, linestyle="--", label="their median"))
    if heat.current is not None:
        handles.append(Line2D([], [], color=VERMILION, linewidth=2.2, label=f"{heat.current[0]} so far"))
    axes.legend(handles=handles, loc="lower right")


def plot_season(
    forecast: SeasonForecast,
    *,
    place: str | Place | None = None,
    ax: Axes | None = None,
    style: str | None = "phenofit",
) -> Axes:
    """Draw the forecast of one place: heat so far, how it may continue, and the dates of the events.

    Parameters
    ----------
    forecast : SeasonForecast
        A forecast, see :func:`phenofit.forecast`; for any place, of the records that
        :func:`phenofit.forecasting.other_place.other_place` gives.
    place : str or Place, optional
        One of ``forecast.places`` or its site; may be left out where there is one.
    ax : matplotlib.axes.Axes, optional
        Where to draw; without it, on a new figure.
    style : str or None
        A matplotlib style: the package's own by default; None leaves the settings of matplotlib as they are.

    Returns
    -------
    matplotlib.axes.Axes
        Heat since the start [°C-days] against the date. Red: this season so far; grey bands: continued as past seasons.
        Marks: median date of each event at its heat, with 50 and 95 % intervals.

    Raises
    ------
    ModelError
        If the forecast has no such place, or several and none was named.

    Examples
    --------
    ::

        season = phenofit.forecast(fit, records, today="2026-05-20")
        phenofit.plot_season(season, place="Mill").figure.savefig("mill.png", dpi=300)
    """
    shown = place if isinstance(place, Place) else _place_of(forecast, place)
    with styled(style):
        axes = one_panel(ax, 3.8)
        draw_place(axes, forecast, shown)
    return axes


def _place_of(forecast: SeasonForecast, site: str | None) -> Place:
    found = [one for one in forecast.places if site in (None, one.site)]
    if len(found) == 1:
        return found[0]
    names = ", ".join(dict.fromkeys(one.site for one in forecast.places))
    if site is None:
        raise ModelError(f"the forecast has {len(found)} places; name one of them: {names}.")
    if not found:
        raise ModelError(f"the forecast has no place '{site}'; it has {names}.")
    raise ModelError(f"'{site}' has {len(found)} weather stations; give one of forecast.places.")


@dataclass(frozen=True)
class _Heat:
    """Heat sums of a place [degC d] at the midnights since the start of the season."""

    days: NDArray[np.float64]  # Shape (n,).
    members: NDArray[np.float64]  # Shape (members, n): in every continuation.
    known: int  # Midnights that are known.


def draw_place(axes: Axes, forecast: SeasonForecast, place: Place) -> None:
    """Draw one place of a forecast."""
    fit = forecast.fit
    events = [one for one in forecast.events if (one.site, one.station) == (place.site, place.station)]
    how, season = fit.settings.heat, fit.settings.season
    sums = place_heat(fit, place)
    year = int(season.year_of(np.array([place.start]))[0])
    offset = float((place.start - season.first_day(year)) / _DAY)
    known = int((place.known_until + _DAY - place.start) / _DAY)
    days = np.arange(sums.shape[1], dtype=np.float64)
    days += offset
    heat = _Heat(days, sums, min(max(known, 0) + 1, sums.shape[1]))
    _continuations(axes, heat)
    late = _dates(axes, fit, offset, events)
    so_far = heat.days[heat.known - 1]
    low = max(offset, min(so_far, late[0]) - 50.0)
    high = min(float(heat.days[-1]), late[1] + 40.0)
    shown = (heat.days >= low) & (heat.days <= high)
    axes.set_ylim(0, 1.05 * max(float(np.quantile(sums[:, shown][:, -1], 0.9)), late[2]))
    day_axis(axes, season, low, high)
    settle(
        axes,
        x=f"date, {place.site}, weather of station {place.station}",
        y=f"heat since {start_words(fit.settings.start_words)} [°C-days]\n{how.describe(round(fit.base, 1))}",
    )
    past = len(place.ensemble.years)
    handles = [
        Line2D([], [], color=VERMILION, linewidth=2.2, label=f"this season up to {day(place.known_until)}"),
        Patch(color=_BANDS[0][2], label=f"continued as {past} past seasons: 95 %"),
        Patch(color=_BANDS[1][2], label="the same: 50 %"),
        Line2D(
            [], [], color=BLUE, marker="o", markersize=5, linewidth=3.0, label="date: median, 50 and 95 %"
        ),
    ]
    axes.legend(
        handles=handles, frameon=True, facecolor="white", edgecolor="none", framealpha=1.0, loc="upper left"
    )


def _continuations(axes: Axes, heat: _Heat) -> None:
    ahead = slice(heat.known - 1, None)
    days, members = heat.days[ahead], heat.members[:, ahead]
    for low, high, colour in _BANDS:
        axes.fill_between(days, *np.quantile(members, [low, high], axis=0), color=colour, linewidth=0)
    for row in members[:: max(len(members) // _LINES, 1)]:
        axes.plot(days, row, color="#8f8f8f", linewidth=0.5)
    axes.plot(heat.days[: heat.known], heat.members[0, : heat.known], color=VERMILION, linewidth=2.2)
    axes.axvline(days[0], color=INK, linewidth=0.7, linestyle=":")


def _dates(
    axes: Axes, fit: FlightFit, offset: float, events: Sequence[EventForecast]
) -> tuple[float, float, float]:
    """Draw the date of each event at its heat; return the first and last day shown, and the largest heat."""
    first, last, top = np.inf, offset, 0.0
    for one in events:
        ends = (
            np.array([one.dates.quantile_days(share) for share in (0.025, 0.25, 0.5, 0.75, 0.975)]) + offset
        )
        if not np.isfinite(ends[2]):
            continue
        level = _level(fit, one)
        finite = np.where(np.isfinite(ends), ends, ends[2])
        axes.plot(finite[[0, 4]], [level, level], color=BLUE, linewidth=1.0)
        axes.plot(finite[[1, 3]], [level, level], color=BLUE, linewidth=3.0, solid_capstyle="butt")
        axes.plot(ends[2], level, "o", color=BLUE, markersize=5)
        words = event_words(one.event, one.flight, fit.settings.flights)
        axes.annotate(
            f"{words}: {day(one.dates.quantile(0.5))}", (finite[4], level), xytext=(5, 0),
            textcoords="offset points", fontsize="small", color=BLUE, va="center",
        )  # fmt: skip
        first, last, top = min(first, ends[2]), max(last, finite[4]), max(top, level)
    return (first if np.isfinite(first) else offset), last, top


def _level(fit: FlightFit, one: EventForecast) -> float:
    """Return the heat at which an event is drawn; the first and last catch lie near the ends of the flight."""
    near = {"first_catch": "flight_1", "first_sustained_catch": "flight_2", "end": "flight_99"}
    return fit.event_amount(near.get(one.event, one.event), one.flight)
