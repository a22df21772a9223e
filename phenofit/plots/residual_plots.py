"""The figure of residuals: along the heat, and against the normal distribution."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from phenofit.errors import ModelError
from phenofit.flight.result import FlightFit
from phenofit.plots.residual_data import FEWEST, ResidualView, residual_view
from phenofit.plots.style import (
    BLUE,
    GREY,
    INK,
    VERMILION,
    Panels,
    letters,
    panels_of,
    settle,
    styled,
    wrapped,
)
from phenofit.wording import heat_words

_LABEL = 52  # letters that go below the wider panel


def plot_residuals(
    fit: FlightFit,
    residuals: pd.DataFrame,
    *,
    ax: Iterable[Axes] | None = None,
    style: str | None = "phenofit",
) -> Panels:
    """Draw the residuals of the checks of a fit.

    Parameters
    ----------
    fit : FlightFit
        The fit.
    residuals : pandas.DataFrame
        Its residuals, see :func:`phenofit.flight.check_residuals`.
    ax : array of matplotlib.axes.Axes, optional
        Where to draw, two panels; without it, on a new figure.
    style : str or None
        A matplotlib style: the package's own by default; None leaves the settings of matplotlib as they are.

    Returns
    -------
    array of matplotlib.axes.Axes
        Left: residuals along the heat [°C-days]; squares are means of equally many checks with 95 % intervals; dotted: half
        of a flight. Right: residuals in order against normal quantiles, inside the grey band with a chance of 95 % each.

    Raises
    ------
    ModelError
        If fewer than 20 checks have a residual, or `ax` has another number of panels.

    Examples
    --------
    ::

        phenofit.plot_residuals(fit, phenofit.flight.check_residuals(fit, records))
    """
    view = residual_view(fit, residuals)
    if view is None:
        raise ModelError(f"fewer than {FEWEST} checks have a residual; a figure would show nothing.")
    with styled(style):
        panels = panels_of(ax, 2, 2.9, ratios=(1.7, 1.0))
        draw_residuals(panels, view, words=heat_words(fit))
    return panels


def draw_residuals(panels: Panels, view: ResidualView, *, words: str) -> None:
    """Draw residuals that are ready to be drawn."""
    left, right = panels
    first, second = letters(2)
    reach = 1.06 * max(3.5, float(np.abs(view.residual).max()))
    _along_heat(left, view)
    settle(
        left,
        x=wrapped(f"heat at the middle of the check interval [°C-days; {words}]", _LABEL),
        y="residual of the check",
        title=first,
    )
    left.set_ylim(-reach, reach)
    right.fill_between(view.expected, view.low, view.high, color="#d9d9d9", linewidth=0)
    right.plot([-reach, reach], [-reach, reach], color=GREY, linewidth=1.0, linestyle="--")
    right.plot(view.expected, view.ordered, ".", color=BLUE, markersize=3.0, rasterized=True)
    settle(right, x="normal quantile", y="residual, in order", title=second)
    wide = 1.06 * float(view.expected.max())
    right.set_xlim(-wide, wide)
    right.set_ylim(-reach, reach)


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
