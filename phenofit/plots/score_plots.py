"""The figure of scores: the error of each forecaster."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from phenofit.errors import ModelError
from phenofit.plots.score_groups import ScoreGroup, score_groups
from phenofit.plots.style import BLUE, GREY, VERMILION, one_panel, settle, styled

_MARKS = {"fitted": (BLUE, "o"), "published": (VERMILION, "s"), "calendar": (GREY, "D")}
_ROW_IN = 0.24


def plot_scores(
    scores: pd.DataFrame, *, event: str = "flight_50", ax: Axes | None = None, style: str | None = "phenofit"
) -> Axes:
    """Draw the mean absolute error of each forecaster, a block for each species and flight.

    Parameters
    ----------
    scores : pandas.DataFrame
        Scores, see :func:`phenofit.validate.score_forecasts`; those of several species below each other. The first scheme
        of each is drawn, weather known.
    event : str
        What is drawn.
    ax : matplotlib.axes.Axes, optional
        Where to draw; without it, on a new figure.
    style : str or None
        A matplotlib style: the package's own by default; None leaves the settings of matplotlib as they are.

    Returns
    -------
    matplotlib.axes.Axes
        Mean absolute error of held-out forecasts [days] of the fit, the published thresholds and the mean calendar date,
        with 95 % intervals from whole years drawn at random.

    Raises
    ------
    ModelError
        If the table has no score of the event.

    Examples
    --------
    ::

        validation = phenofit.cross_validate(records, model)
        phenofit.plot_scores(phenofit.validate.score_forecasts(validation))
    """
    groups = score_groups(scores, event=event)
    if not groups:
        raise ModelError(f"the table has no score of {event} with the weather known.")
    with styled(style):
        lines = sum(len(group.rows) + 1 for group in groups)
        axes = one_panel(ax, 0.75 + _ROW_IN * lines)
        draw_scores(axes, groups)
    return axes


def draw_scores(axes: Axes, groups: Sequence[ScoreGroup]) -> None:
    """Draw the mean absolute error of each forecaster with its interval."""
    at, ticks, labels = 0.0, [], []
    reach = max((row.high if np.isfinite(row.high) else row.mae) for group in groups for row in group.rows)
    for group in groups:
        ticks.append(at)
        labels.append(group.name)
        at -= 1.0
        for row in group.rows:
            colour, marker = _MARKS[row.kind]
            if np.isfinite(row.low) and np.isfinite(row.high):
                axes.hlines(at, row.low, row.high, color=colour, linewidth=2.0)
            axes.plot([row.mae], [at], marker, color=colour, markersize=6)
            end = row.high if np.isfinite(row.high) else row.mae
            axes.annotate(
                f"{row.mae:.1f}",
                (end, at),
                xytext=(5, 0),
                textcoords="offset points",
                va="center",
                fontsize="small",
            )
            ticks.append(at)
            labels.append(row.label)
            at -= 1.0
    settle(axes, x="mean absolute error, held-out data [days]", y="")
    axes.set_yticks(ticks, labels, parse_math=False)
    headings = {group.name for group in groups}
    for tick in axes.get_yticklabels():
        if tick.get_text() in headings:
            tick.set_fontweight("bold")
    axes.tick_params(axis="y", length=0)
    axes.grid(visible=False, axis="y")
    axes.set_xlim(0, 1.1 * reach)
    axes.set_ylim(at + 0.4, 0.6)
