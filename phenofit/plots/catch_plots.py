"""The figure of catches by date: small panels, one for each trap-year."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from phenofit.errors import ModelError
from phenofit.plots.style import (
    GREY,
    PALE,
    VERMILION,
    Panels,
    day_axis,
    figure_of,
    letters,
    panels_of,
    settle,
    shared_legend,
    styled,
)
from phenofit.seasons import Season

MOST_PANELS = 12
_COLUMNS, _ROW_IN, _FRAME_IN = 3, 1.35, 0.9
_DAY = np.timedelta64(1, "D")


def plot_catches(
    residuals: pd.DataFrame,
    *,
    season: Season,
    trap_years: Sequence[tuple[str, str]] | None = None,
    ax: Iterable[Axes] | None = None,
    style: str | None = "phenofit",
) -> Panels:
    """Draw catches by date, a panel for each trap-year, with what the fit expects.

    Parameters
    ----------
    residuals : pandas.DataFrame
        Checks with count and expected count, see :func:`phenofit.flight.check_residuals`.
    season : Season
        The season of the records, for the axes of dates.
    trap_years : sequence of (trap, season), optional
        At most 12 of them, seasons by their label; without it the 12 with most moths.
    ax : array of matplotlib.axes.Axes, optional
        Where to draw, a panel for each trap-year; without it, on a new figure.
    style : str or None
        A matplotlib style: the package's own by default; None leaves the settings of matplotlib as they are.

    Returns
    -------
    array of matplotlib.axes.Axes
        Moths per night: bars, a check interval each; line, what the fit expects of a trap-year with that total before its
        shift is known. Hatched: not checked.

    Raises
    ------
    ModelError
        If there is no such trap-year, more than 12 are named, or `ax` has another number of panels.

    Examples
    --------
    ::

        checks = phenofit.flight.check_residuals(fit, records)
        phenofit.plot_catches(checks, season=records.season, trap_years=[("T01", "2021"), ("T01", "2022")])
    """
    shown = most_moths(residuals) if trap_years is None else list(trap_years)
    if not 0 < len(shown) <= MOST_PANELS:
        raise ModelError(f"{len(shown)} trap-years cannot be drawn; give 1 to {MOST_PANELS} of them.")
    keys = residuals["trap"].astype(str), residuals["season"].astype(str)
    parts = [residuals[(keys[0] == trap) & (keys[1] == label)] for trap, label in shown]
    absent = [pair for pair, part in zip(shown, parts, strict=True) if part.empty]
    if absent:
        raise ModelError(f"there are no counted checks of trap '{absent[0][0]}' in season '{absent[0][1]}'.")
    with styled(style):
        columns = min(_COLUMNS, len(shown))
        height = _FRAME_IN + _ROW_IN * -(-len(shown) // columns)
        panels = panels_of(ax, len(shown), height, columns=columns)
        days = [_days(part, season) for part in parts]
        low, high = min(d.min() for d in days), max(d.max() for d in days)
        for k, (axes, letter, pair, part, at) in enumerate(
            zip(panels, letters(len(shown)), shown, parts, days, strict=True)
        ):
            _draw_catches(axes, part, at)
            day_axis(axes, season, low, high, most=4)
            # A label of the whole figure would lie on the legend.
            lowest = k >= len(shown) - columns
            settle(axes, x="date" if lowest else "", y="", title=f"{letter}{pair[0]}, {pair[1]}")
        if ax is None:
            figure_of(panels).supylabel("moths per night", fontsize="medium")
        else:
            panels[0].set_ylabel("moths per night")
        handles = [
            Patch(facecolor=PALE, edgecolor="#8fa9bd", linewidth=0.4, label="catch of a check interval"),
            Line2D([], [], color=VERMILION, linewidth=1.4, label="expected by the fit, given the total"),
            Patch(facecolor="none", edgecolor=GREY, hatch="/////", linewidth=0, label="not checked"),
        ]
        shared_legend(panels, handles, own=ax is None, columns=3)
    return panels


def most_moths(residuals: pd.DataFrame) -> list[tuple[str, str]]:
    """Return the trap-years with most moths, as many as a figure holds, by season and trap."""
    totals = residuals.assign(season=residuals["season"].astype(str), trap=residuals["trap"].astype(str))
    moths = totals.groupby(["season", "trap"])["count"].sum()
    chosen = moths.sort_values(ascending=False, kind="stable").index[:MOST_PANELS]
    return [(trap, season) for season, trap in sorted(chosen)]


def _days(checks: pd.DataFrame, season: Season) -> np.ndarray:
    """Return start and end of each check interval, shape (checks, 2) [days since the start of the season]."""
    first = season.first_day(int(checks["year"].iloc[0]))
    times = checks[["start", "end"]].to_numpy().astype("datetime64[ns]")
    return np.asarray((times - first.astype("datetime64[ns]")) / _DAY, dtype=np.float64)


def _draw_catches(axes: Axes, checks: pd.DataFrame, days: np.ndarray) -> None:
    order = np.argsort(days[:, 0], kind="stable")
    start, end = days[order].T
    nights = np.maximum(end - start, 1e-9)
    caught = checks["count"].to_numpy(dtype=np.float64)[order] / nights
    expected = checks["expected"].to_numpy(dtype=np.float64)[order] / nights
    axes.bar(start, caught, width=nights, align="edge", color=PALE, edgecolor="#8fa9bd", linewidth=0.4)
    axes.plot(0.5 * (start + end), expected, color=VERMILION, linewidth=1.4)
    top = 1.1 * max(float(caught.max()), float(expected.max()), 1e-9)
    for begin, finish in zip(end[:-1], start[1:], strict=True):
        if finish - begin > 1e-6:
            axes.axvspan(begin, finish, facecolor="none", edgecolor=GREY, hatch="/////", linewidth=0)
    axes.set_ylim(0.0, top)
