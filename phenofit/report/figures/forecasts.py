"""Figures of forecasts: dates predicted and seen, errors by year and forecaster, heat of this season."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from phenofit.report.figure_data import SeasonHeat
from phenofit.report.figures.style import BLUE, GREY, INK, SERIES, VERMILION, day_axis, new_figure, settle
from phenofit.report.words import start_words
from phenofit.seasons import Season

_WEEK = 7.0


def days_of(dates: pd.Series, years: pd.Series, season: Season) -> np.ndarray:
    """Return dates as days since the start of their season [d]."""
    first = np.array([season.first_day(int(year)) for year in years]).astype("datetime64[ns]")
    return np.asarray(
        (dates.to_numpy().astype("datetime64[ns]") - first) / np.timedelta64(1, "D"), dtype=float
    )


def draw_dates(validation: pd.DataFrame, season: Season, *, event: str = "flight_50") -> Figure | None:
    """Draw the predicted against the observed date of every held-out trap-year; None where nothing was forecast."""
    rows = validation[(validation["event"] == event) & validation["error_days"].notna()]
    flights = sorted(rows["flight"].unique())
    if not flights:
        return None
    figure, panels = new_figure(3.3, columns=len(flights))
    for position, (axes, flight) in enumerate(zip(panels, flights, strict=True)):
        mine = rows[rows["flight"] == flight]
        seen = days_of(mine["observed"], mine["year"], season)
        forecast = days_of(mine["predicted"], mine["year"], season)
        low = min(seen.min(), forecast.min()) - 4
        high = max(seen.max(), forecast.max()) + 4
        axes.fill_between(
            [low, high], [low - _WEEK, high - _WEEK], [low + _WEEK, high + _WEEK], color="#ededed"
        )
        axes.plot([low, high], [low, high], color=GREY, linewidth=1.0)
        colour, marker, _ = SERIES[position % len(SERIES)]
        axes.scatter(seen, forecast, s=16, marker=marker, facecolor="none", edgecolor=colour, linewidth=0.9)
        day_axis(axes, season, low, high, which="x")
        day_axis(axes, season, low, high, which="y")
        axes.set_aspect("equal")
        title = f"flight {flight}, " if len(flights) > 1 else ""
        settle(axes, x="date observed", y="date forecast", title=f"{title}{len(mine)} trap-years")
        axes.tick_params(axis="x", labelrotation=30)
    handles = [
        Line2D([], [], color=GREY, linewidth=1.0, label="forecast = observed"),
        Line2D([], [], color="#ededed", linewidth=7, label="within a week"),
    ]
    panels[0].legend(handles=handles, fontsize=7.5, frameon=False, loc="upper left")
    return figure


def draw_errors(
    validation: pd.DataFrame, forecasters: Sequence[tuple[str, str]], *, event: str = "flight_50"
) -> Figure | None:
    """Draw the errors of each (name, label) by held-out season: the median and the middle four fifths."""
    rows = validation[(validation["event"] == event) & validation["error_days"].notna()]
    flights = sorted(rows["flight"].unique())
    if not flights:
        return None
    figure, panels = new_figure(3.0, columns=len(flights))
    reach = 1.08 * float(rows["error_days"].abs().quantile(0.995))
    handles: list[Line2D] = []
    for axes, flight in zip(panels, flights, strict=True):
        mine = rows[rows["flight"] == flight]
        seasons = sorted(mine["season"].unique())
        shown = [pair for pair in forecasters if (mine["forecaster"] == pair[0]).any()]
        for position, (name, label) in enumerate(shown):
            index = [pair[0] for pair in forecasters].index(name)
            colour, marker, _ = SERIES[index % len(SERIES)]
            offset = 0.72 * ((position + 0.5) / len(shown) - 0.5)
            errors = mine[mine["forecaster"] == name].groupby("season")["error_days"]
            middle, low, high = errors.median(), errors.quantile(0.1), errors.quantile(0.9)
            at = np.array([seasons.index(s) for s in middle.index]) + offset
            axes.vlines(at, low, high, color=colour, linewidth=1.4)
            axes.plot(at, middle, marker, color=colour, markersize=4.5, linestyle="none")
            if label not in [handle.get_label() for handle in handles]:
                handles.append(
                    Line2D([], [], color=colour, marker=marker, markersize=5, linewidth=1.4, label=label)
                )
        axes.axhline(0, color=INK, linewidth=0.9)
        axes.set_ylim(-reach, reach)
        axes.set_xticks(range(len(seasons)), seasons, rotation=45 if len(seasons) > 6 else 0)
        title = f"flight {flight}" if len(flights) > 1 else ""
        settle(axes, x="held-out season", y="error [days]\nearly  −      late  +", title=title)
    figure.legend(handles=handles, loc="outside lower center", ncols=2, fontsize=7.5, frameon=False)
    return figure


def draw_season(heat: SeasonHeat, season: Season, *, heat_words: str) -> Figure:
    """Draw heat through this season against past ones, with the heat at which each flight flies."""
    figure, (axes,) = new_figure(3.3)
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
        axes.axhspan(start, end, color="#c9d9e6", alpha=0.75, linewidth=0)
        axes.axhline(half, color=BLUE, linewidth=1.0)
        name = f"flight {flight}" if len(heat.bands) > 1 else "flight"
        axes.annotate(
            f"{name}: 5, 50, 95 % at {start:.0f}, {half:.0f}, {end:.0f}", (0.008, half),
            xycoords=("axes fraction", "data"), xytext=(0, 3), textcoords="offset points", fontsize=7.5, color=BLUE,
        )  # fmt: skip
    axes.set_ylim(0, top)
    day_axis(axes, season, low, high)
    settle(
        axes,
        x=f"date, station {heat.station}",
        y=f"heat since {start_words(str(season.start))} [°C-days]\n{heat_words}",
    )
    handles = [Line2D([], [], color="#b5b5b5", linewidth=0.8, label=f"{len(curves)} past seasons")]
    if curves:
        handles.append(Line2D([], [], color=INK, linewidth=1.2, linestyle="--", label="their median"))
    if heat.current is not None:
        handles.append(Line2D([], [], color=VERMILION, linewidth=2.2, label=f"{heat.current[0]} so far"))
    axes.legend(handles=handles, fontsize=7.5, frameon=False, loc="lower right")
    return figure
