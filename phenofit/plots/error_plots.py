"""Figures of held-out forecasts: dates predicted and seen, errors by season and forecaster."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from phenofit.errors import ModelError
from phenofit.plots.style import (
    GREY,
    INK,
    SERIES,
    Panels,
    day_axis,
    letters,
    panels_of,
    settle,
    shared_legend,
    styled,
)
from phenofit.seasons import Season
from phenofit.validate.older_forecasters import OLDER
from phenofit.validate.scores import first_scheme
from phenofit.wording import forecaster_words

_WEEK = 7.0
_BAND = "#ededed"


def forecasts_of(validation: pd.DataFrame, event: str, forecaster: str | None = None) -> pd.DataFrame:
    """Return the rows of an event with an error, weather known, under the first scheme; those of one forecaster if named."""
    rows = first_scheme(validation, event)
    if rows.empty:
        return rows
    rows = rows[rows["lead_days"].isna() & rows["error_days"].notna()]
    return rows if forecaster is None else rows[rows["forecaster"] == forecaster]


def _some_of(validation: pd.DataFrame, event: str, forecaster: str | None = None) -> pd.DataFrame:
    rows = forecasts_of(validation, event, forecaster)
    if rows.empty:
        who = "" if forecaster is None else f" of '{forecaster}'"
        raise ModelError(f"the validation table has no forecast{who} of {event} with the weather known.")
    return rows


def days_of(dates: pd.Series, years: pd.Series, season: Season) -> np.ndarray:
    """Return dates as days since the start of their season [d]."""
    first = np.array([season.first_day(int(year)) for year in years]).astype("datetime64[ns]")
    return np.asarray(
        (dates.to_numpy().astype("datetime64[ns]") - first) / np.timedelta64(1, "D"), dtype=float
    )


def plot_dates(
    validation: pd.DataFrame,
    *,
    season: Season,
    event: str = "flight_50",
    forecaster: str = "fitted",
    ax: Iterable[Axes] | None = None,
    style: str | None = "phenofit",
) -> Panels:
    """Draw the predicted against the observed date of every held-out trap-year.

    Parameters
    ----------
    validation : pandas.DataFrame
        The validation table, see :func:`phenofit.cross_validate`. Its first scheme is drawn, weather known.
    season : Season
        The season of the records, for the axes of dates.
    event, forecaster : str
        What is drawn.
    ax : array of matplotlib.axes.Axes, optional
        Where to draw, a panel for each flight; without it, on a new figure.
    style : str or None
        A matplotlib style: the package's own by default; None leaves the settings of matplotlib as they are.

    Returns
    -------
    array of matplotlib.axes.Axes
        Date forecast against date observed; the grey band is a week to either side.

    Raises
    ------
    ModelError
        If the table has no such forecast, or `ax` another number of panels.

    Examples
    --------
    ::

        scores = phenofit.cross_validate(records, model)
        phenofit.plot_dates(scores, season=records.season)[0].figure.savefig("dates.pdf")
    """
    rows = _some_of(validation, event, forecaster)
    flights = sorted(rows["flight"].unique())
    with styled(style):
        panels = panels_of(ax, len(flights), 3.5)
        for axes, letter, flight in zip(panels, letters(len(flights)), flights, strict=True):
            mine = rows[rows["flight"] == flight]
            title = f"{letter}flight {flight}, " if len(flights) > 1 else ""
            _draw_dates(axes, mine, season, f"{title}{len(mine)} trap-years")
        handles = [
            Line2D([], [], color=GREY, linewidth=1.0, label="forecast = observed"),
            Line2D([], [], color=_BAND, linewidth=7, label="within a week"),
        ]
        shared_legend(panels, handles, own=ax is None)
    return panels


def _draw_dates(axes: Axes, rows: pd.DataFrame, season: Season, title: str) -> None:
    seen = days_of(rows["observed"], rows["year"], season)
    forecast = days_of(rows["predicted"], rows["year"], season)
    low = min(seen.min(), forecast.min()) - 4
    high = max(seen.max(), forecast.max()) + 4
    axes.fill_between([low, high], [low - _WEEK, high - _WEEK], [low + _WEEK, high + _WEEK], color=_BAND)
    axes.plot([low, high], [low, high], color=GREY, linewidth=1.0)
    colour, marker, _ = SERIES[0]
    axes.scatter(seen, forecast, s=16, marker=marker, facecolor="none", edgecolor=colour, linewidth=0.9)
    day_axis(axes, season, low, high, which="x")
    day_axis(axes, season, low, high, which="y")
    axes.set_aspect("equal")
    settle(axes, x="date observed", y="date forecast", title=title)
    axes.tick_params(axis="x", labelrotation=30)


def main_forecasters(validation: pd.DataFrame) -> list[str]:
    """Return the forecasters in the order of figures: the fit, published thresholds, the calendar; older rules left out."""
    # Many older rules cannot be read in one figure; a table has them.
    names = [str(n) for n in validation["forecaster"].unique() if not str(n).startswith(OLDER)]
    return sorted(
        names, key=lambda name: (name != "fitted", name == "calendar mean", "refitted" in name, name)
    )


def plot_errors(
    validation: pd.DataFrame,
    *,
    event: str = "flight_50",
    forecasters: Sequence[str] | None = None,
    ax: Iterable[Axes] | None = None,
    style: str | None = "phenofit",
) -> Panels:
    """Draw the error of each forecaster in each held-out season.

    Parameters
    ----------
    validation : pandas.DataFrame
        The validation table, see :func:`phenofit.cross_validate`. Its first scheme is drawn, weather known.
    event : str
        What is drawn.
    forecasters : sequence of str, optional
        Names as in the table; all but the older rules by default.
    ax : array of matplotlib.axes.Axes, optional
        Where to draw, a panel for each flight; without it, on a new figure.
    style : str or None
        A matplotlib style: the package's own by default; None leaves the settings of matplotlib as they are.

    Returns
    -------
    array of matplotlib.axes.Axes
        Mark: the median error over the traps [days]; line: their middle four fifths. Above zero the forecast was late.

    Raises
    ------
    ModelError
        If the table has no such forecast, or `ax` another number of panels.

    Examples
    --------
    ::

        phenofit.plot_errors(scores, forecasters=["fitted", "calendar mean"])
    """
    rows = _some_of(validation, event)
    names = main_forecasters(rows) if forecasters is None else list(forecasters)
    absent = [name for name in names if not (rows["forecaster"] == name).any()]
    if absent:
        raise ModelError(
            f"the table has no forecaster '{absent[0]}'; it has {', '.join(rows['forecaster'].unique())}."
        )
    rows = rows[rows["forecaster"].isin(names)]
    flights = sorted(rows["flight"].unique())
    reach = 1.08 * float(rows["error_days"].abs().quantile(0.995))
    with styled(style):
        panels = panels_of(ax, len(flights), 3.0)
        for axes, letter, flight in zip(panels, letters(len(flights)), flights, strict=True):
            _draw_errors(axes, rows[rows["flight"] == flight], names)
            axes.set_ylim(-reach, reach)
            title = f"{letter}flight {flight}" if len(flights) > 1 else ""
            settle(axes, x="held-out season", y="error [days]\nearly  −      late  +", title=title)
        looks = [
            Line2D(
                [], [], color=colour, marker=marker, markersize=5, linewidth=1.4, label=forecaster_words(name)
            )
            for name, (colour, marker, _) in zip(names, _looks(len(names)), strict=True)
        ]
        shared_legend(panels, looks, own=ax is None)
    return panels


def _looks(count: int) -> list[tuple[str, str, object]]:
    return [SERIES[i % len(SERIES)] for i in range(count)]


def _draw_errors(axes: Axes, rows: pd.DataFrame, names: Sequence[str]) -> None:
    seasons = sorted(rows["season"].unique())
    looks = dict(zip(names, _looks(len(names)), strict=True))
    shown = [name for name in names if (rows["forecaster"] == name).any()]
    for position, name in enumerate(shown):
        colour, marker, _ = looks[name]
        offset = 0.72 * ((position + 0.5) / len(shown) - 0.5)
        errors = rows[rows["forecaster"] == name].groupby("season")["error_days"]
        middle, low, high = errors.median(), errors.quantile(0.1), errors.quantile(0.9)
        at = np.array([seasons.index(s) for s in middle.index]) + offset
        axes.vlines(at, low, high, color=colour, linewidth=1.4)
        axes.plot(at, middle, marker, color=colour, markersize=4.5, linestyle="none")
    axes.axhline(0, color=INK, linewidth=0.9)
    axes.set_xticks(range(len(seasons)), seasons, rotation=45 if len(seasons) > 6 else 0)
