"""Figure of the forecast of one place: heat so far, how it may go on, and the dates of the events."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from numpy.typing import NDArray

from phenofit.forecasting.events import event_words
from phenofit.forecasting.forecast_places import place_heat
from phenofit.report.figures.style import BLUE, INK, VERMILION, day_axis, new_figure, settle
from phenofit.report.words import day, start_words

if TYPE_CHECKING:
    from phenofit.flight import FlightFit
    from phenofit.forecasting.forecast_places import Place
    from phenofit.forecasting.season_forecast import EventForecast

_DAY = np.timedelta64(1, "D")
_LINES = 12  # continuations that are drawn one by one
_BANDS = ((0.025, 0.975, "#e6e6e6"), (0.25, 0.75, "#c9c9c9"))


@dataclass(frozen=True)
class _Heat:
    """Heat sums of a place [degC d] at the midnights since the start of the season."""

    days: NDArray[np.float64]  # Shape (n,).
    members: NDArray[np.float64]  # Shape (members, n): in every continuation.
    known: int  # Midnights that are known.


def draw_place(fit: FlightFit, place: Place, events: Sequence[EventForecast]) -> Figure:
    """Draw this season's heat so far, its continuations from the day of issue on, and the dates of the forecast."""
    how, season = fit.settings.heat, fit.settings.season
    sums = place_heat(fit, place)
    year = int(season.year_of(np.array([place.start]))[0])
    offset = float((place.start - season.first_day(year)) / _DAY)
    known = int((place.known_until + _DAY - place.start) / _DAY)
    days = np.arange(sums.shape[1], dtype=np.float64)
    days += offset
    heat = _Heat(days, sums, min(max(known, 0) + 1, sums.shape[1]))
    figure, (axes,) = new_figure(3.8)
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
        handles=handles, fontsize=7.5, facecolor="white", edgecolor="none", framealpha=1.0, loc="upper left"
    )
    return figure


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
            textcoords="offset points", fontsize=7.5, color=BLUE, va="center",
        )  # fmt: skip
        first, last, top = min(first, ends[2]), max(last, finite[4]), max(top, level)
    return (first if np.isfinite(first) else offset), last, top


def _level(fit: FlightFit, one: EventForecast) -> float:
    """Return the heat at which an event is drawn; the first and last catch lie near the ends of the flight."""
    near = {"first_catch": "flight_1", "first_sustained_catch": "flight_2", "end": "flight_99"}
    return fit.event_amount(near.get(one.event, one.event), one.flight)
