"""The figure of calibration: where events fell in their forecasts, and how many fell inside the intervals."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import pandas as pd
from matplotlib.axes import Axes

from phenofit.errors import ModelError
from phenofit.plots.calibration_data import Calibration, calibration
from phenofit.plots.style import GREY, SERIES, Panels, letters, panels_of, settle, styled

_STEP = 1.6


def plot_calibration(
    validation: pd.DataFrame,
    *,
    event: str = "flight_50",
    ax: Iterable[Axes] | None = None,
    style: str | None = "phenofit",
) -> Panels:
    """Draw whether the fitted forecasts know their own error.

    Parameters
    ----------
    validation : pandas.DataFrame
        The validation table, see :func:`phenofit.cross_validate`. Its first scheme is drawn, weather known.
    event : str
        What is drawn.
    ax : array of matplotlib.axes.Axes, optional
        Where to draw, two panels; without it, on a new figure.
    style : str or None
        A matplotlib style: the package's own by default; None leaves the settings of matplotlib as they are.

    Returns
    -------
    array of matplotlib.axes.Axes
        Left: where the events fell in their forecast distributions [% of events]; level where calibrated. Right: share of
        events inside the 50, 80 and 95 % intervals, with its 95 % interval [%].

    Raises
    ------
    ModelError
        If the table has no fitted forecast of the event, or `ax` another number of panels.

    Examples
    --------
    ::

        phenofit.plot_calibration(phenofit.cross_validate(records, model))
    """
    parts = calibration(validation, event=event)
    if not parts:
        raise ModelError(f"the validation table has no fitted forecast of {event} with the weather known.")
    with styled(style):
        panels = panels_of(ax, 2, 2.6, ratios=(1.25, 1.0))
        draw_calibration(panels, parts)
    return panels


def draw_calibration(panels: Panels, parts: Sequence[Calibration]) -> None:
    """Draw the position of the events in their forecasts, and the share inside the intervals against the nominal one."""
    left, right = panels
    bins = len(parts[0].share)
    left.axhline(100.0 / bins, color=GREY, linewidth=1.0, linestyle="--")
    right.plot([40, 100], [40, 100], color=GREY, linewidth=1.0, linestyle="--")
    middle = 0.5 * (len(parts) - 1)
    for position, part in enumerate(parts):
        colour, marker, dash = SERIES[position % len(SERIES)]
        label = f"flight {part.flight}" if len(parts) > 1 else None
        left.stairs(
            100.0 * part.share,
            part.edges,
            color=colour,
            linestyle=dash,
            linewidth=1.4,
            fill=False,
            baseline=None,
            label=label,
        )
        at = 100.0 * part.nominal + _STEP * (position - middle)
        right.vlines(at, 100.0 * part.low, 100.0 * part.high, color=colour, linewidth=1.6)
        right.plot(at, 100.0 * part.inside, marker, color=colour, markersize=5.5, linestyle="")
    first, second = letters(2)
    settle(left, x="place in the forecast distribution (0 early, 1 late)", y="events [%]", title=first)
    settle(right, x="nominal level of the interval [%]", y="events inside [%]", title=second)
    left.set_xlim(0, 1)
    left.set_ylim(0, 100.0 * max(2.0 / bins, 1.15 * max(float(part.share.max()) for part in parts)))
    right.set_xticks([50, 80, 95])
    right.set_xlim(42, 101)
    right.set_ylim(min(40.0, 100.0 * min(float(part.low.min()) for part in parts) - 3.0), 102)
    if len(parts) > 1:
        left.legend(loc="upper right", ncols=len(parts))
