"""The figure of calibration: where events fell in their forecasts, and how many fell inside the intervals."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.figure import Figure

from phenofit.report.calibration_data import Calibration
from phenofit.report.figures.style import GREY, SERIES, new_figure, settle

_STEP = 1.6


def draw_calibration(parts: Sequence[Calibration]) -> Figure:
    """Draw the position of the events in their forecasts, and the share inside the intervals against the nominal one."""
    figure, (left, right) = new_figure(2.5, columns=2, ratios=(1.25, 1.0))
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
    settle(left, x="place in the forecast distribution (0 early, 1 late)", y="events [%]")
    settle(right, x="interval promised [%]", y="events inside [%]")
    left.set_xlim(0, 1)
    left.set_ylim(0, 100.0 * max(2.0 / bins, 1.15 * max(float(part.share.max()) for part in parts)))
    right.set_xticks([50, 80, 95])
    right.set_xlim(42, 101)
    right.set_ylim(min(40.0, 100.0 * min(float(part.low.min()) for part in parts) - 3.0), 102)
    if len(parts) > 1:
        left.legend(fontsize=7.5, frameon=False, loc="upper right", ncols=len(parts))
    return figure
