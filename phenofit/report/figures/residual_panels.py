"""The figure of residuals: along the heat, and against the normal distribution."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from phenofit.report.figures.style import BLUE, GREY, INK, VERMILION, new_figure, settle, wrapped
from phenofit.report.residual_view import ResidualView

_LABEL = 52  # letters that go below the wider panel


def draw_residuals(view: ResidualView, *, heat_words: str) -> Figure:
    """Draw the residuals of the checks."""
    figure, (left, right) = new_figure(2.9, columns=2, ratios=(1.7, 1.0))
    reach = 1.06 * max(3.5, float(np.abs(view.residual).max()))
    _along_heat(left, view)
    settle(
        left,
        x=wrapped(f"heat at the middle of the check interval [°C-days; {heat_words}]", _LABEL),
        y="residual of the check",
    )
    left.set_ylim(-reach, reach)
    right.fill_between(view.expected, view.low, view.high, color="#d9d9d9", linewidth=0)
    right.plot([-reach, reach], [-reach, reach], color=GREY, linewidth=1.0, linestyle="--")
    right.plot(view.expected, view.ordered, ".", color=BLUE, markersize=3.0, rasterized=True)
    settle(right, x="normal quantile", y="residual, in order")
    wide = 1.06 * float(view.expected.max())
    right.set_xlim(-wide, wide)
    right.set_ylim(-reach, reach)
    return figure


def _along_heat(axes: Axes, view: ResidualView) -> None:
    axes.axhline(0.0, color=GREY, linewidth=1.0, linestyle="--")
    for requirement in view.requirements:
        axes.axvline(requirement, color=VERMILION, linewidth=1.0, linestyle=":")
    # Hundreds of points: drawn as a picture, so that the vector file stays small.
    axes.plot(
        view.heat,
        view.residual,
        ".",
        color=BLUE,
        alpha=0.35,
        markersize=3.2,
        markeredgewidth=0,
        rasterized=True,
    )
    axes.vlines(view.class_heat, view.class_low, view.class_high, color=INK, linewidth=1.5)
    axes.plot(view.class_heat, view.class_mean, "s", color=INK, markersize=3.2)
