"""The figure of a rearing fit: development rate on temperature, with the points that were left out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from phenofit.heat.rearing.regression import RearingFit

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["draw_rearing"]


def draw_rearing(fit: RearingFit, *, title: str = "") -> Figure:
    """Draw rates, fitted line, base with its interval, and the points that the user left out."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(6.4, 4.2), layout="constrained")
    axes = figure.add_subplot()
    rate = 1.0 / fit.duration
    axes.plot(fit.temperature[fit.used], rate[fit.used], "o", color="#0072b2", label="fitted")
    if not fit.used.all():
        left_out = ~fit.used
        axes.plot(
            fit.temperature[left_out],
            rate[left_out],
            "o",
            color="#0072b2",
            markerfacecolor="none",
            label="left out by the user",
        )
    line = np.array([fit.base, float(fit.temperature.max())])
    axes.plot(line, fit.rate(line), "-", color="#333333", label=f"{fit.method} fit")
    low, high = fit.interval("base")
    axes.plot([low, high], [0.0, 0.0], "-", color="#d55e00", linewidth=3.0, label="95 % interval of the base")
    axes.plot(fit.base, 0.0, "|", color="#d55e00", markersize=14.0)
    axes.set_xlabel("rearing temperature [°C], held constant")
    axes.set_ylabel("development rate [1/day]")
    axes.set_ylim(bottom=min(-0.002, -0.03 * float(rate.max())))
    axes.set_title(title or f"base {fit.base:.1f} °C, requirement {fit.requirement:.0f} °C-days")
    axes.legend(frameon=False, loc="upper left")
    return figure
