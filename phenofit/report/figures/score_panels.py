"""The one figure of a whole study: how far off each forecaster was."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.figure import Figure

from phenofit.report.figures.style import BLUE, GREY, INK, VERMILION, new_figure, settle
from phenofit.report.score_groups import ScoreGroup

_MARKS = {"fitted": (BLUE, "o"), "published": (VERMILION, "s"), "calendar": (GREY, "D")}
_ROW_IN = 0.24


def draw_scores(groups: Sequence[ScoreGroup]) -> Figure:
    """Draw the mean absolute error of each forecaster with its interval, a block for each species and flight."""
    lines = sum(len(group.rows) + 1 for group in groups)
    figure, (axes,) = new_figure(0.75 + _ROW_IN * lines)
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
                fontsize=8,
                color=INK,
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
    return figure
