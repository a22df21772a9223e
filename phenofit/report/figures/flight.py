"""Figures of a fit: the flight on the heat scale, the profile of the base, base and requirement together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import cycle

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from phenofit.flight.inference.joint_regions import JointRegion
from phenofit.flight.intervals.profile import Profile, cut_root
from phenofit.flight.result import FlightFit
from phenofit.report.figure_data import CatchCurve
from phenofit.report.figures.style import BLUE, GREY, INK, SERIES, VERMILION, new_figure, settle, wrapped
from phenofit.report.words import heat_words, start_words

_LABEL = 90  # letters that go below a panel of the whole width


def draw_flight(curve: CatchCurve, fit: FlightFit) -> Figure:
    """Draw the catches of all trap-years on the heat scale, with the fitted flight."""
    figure, (axes,) = new_figure(3.1)
    step = curve.edges[1] - curve.edges[0]
    axes.bar(
        curve.edges[:-1], curve.caught, width=step, align="edge", color="#c9d9e6", edgecolor="#8fa9bd",
        linewidth=0.4, label=f"catches, mean of {curve.trap_years} trap-years",
    )  # fmt: skip
    axes.plot(
        curve.heat,
        curve.flown,
        color=BLUE,
        linewidth=1.8,
        label="fitted flight, shifts of trap-years included",
    )
    top = 1.14 * max(float(curve.caught.max()), float(curve.flown.max()))
    for flight, requirement in enumerate(curve.requirements, start=1):
        axes.axvline(requirement, color=VERMILION, linewidth=1.2, linestyle="--")
        name = f"half of flight {flight}: " if len(curve.requirements) > 1 else "half of the flight: "
        axes.annotate(
            f"{name}{requirement:.0f}", (requirement, top), xytext=(4, -2), textcoords="offset points", va="top",
            fontsize=8, color=VERMILION,
        )  # fmt: skip
    axes.set_ylim(0, top * 1.02)
    axes.set_xlim(curve.edges[0], curve.edges[-1])
    settle(
        axes,
        x=wrapped(f"heat since {start_words(fit.settings.start_words)} [°C-days; {heat_words(fit)}]", _LABEL),
        y=f"share of a season's catch\n[% per {step:.0f} °C-days]",
    )
    figure.legend(loc="outside lower center", ncols=2, fontsize=7.5, frameon=False)
    return figure


def draw_base(
    fit: FlightFit,
    regions: Mapping[int, JointRegion],
    published: Mapping[int, Sequence[tuple[str, float, float]]] | None = None,
) -> Figure | None:
    """Draw the profile likelihood of the base and its region with each requirement; None where it was held.

    `published` holds, by flight, published pairs on the terms of the fit: name, base [degC] and requirement [degC d].
    """
    if "base" not in fit.profiles:
        return None
    count = 1 + len(regions)
    figure, panels = new_figure(2.9, columns=count)
    _draw_profile(panels[0], fit.profiles["base"], fit)
    for axes, (flight, region) in zip(panels[1:], regions.items(), strict=True):
        _draw_region(axes, region, fit, flight)
        _draw_published(axes, (published or {}).get(flight, ()))
    return figure


def _draw_profile(axes: Axes, profile: Profile, fit: FlightFit) -> None:
    level = fit.settings.level
    cut = cut_root(level, profile.degrees) ** 2
    order = np.argsort(profile.values)
    values, root = profile.values[order], np.sqrt(np.maximum(profile.deviance[order], 0))
    fine = np.linspace(values[0], values[-1], 200)
    signed = np.interp(fine, values, root * np.sign(values - profile.estimate))
    axes.plot(fine, signed**2, color=BLUE, linewidth=1.8)
    axes.plot(values, root**2, "o", color=BLUE, markersize=3)
    axes.axhline(cut, color=GREY, linewidth=1.0, linestyle="--")
    axes.annotate(
        f"{100 * level:g} % cut", (profile.estimate, cut), ha="center", va="center", fontsize=7.5, color=GREY,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
    )  # fmt: skip
    low, high = fit.interval("base")
    top = 1.25 * max(cut, 1.0)
    for end, bound, side in ((low, profile.low_bound, "left"), (high, profile.high_bound, "right")):
        if end is None:
            axes.annotate("open", (bound, 0.04 * top), ha=side, fontsize=8, weight="bold", color=VERMILION)
        else:
            axes.plot([end, end], [0, cut], color=VERMILION, linewidth=1.0, linestyle=":")
            axes.annotate(
                f"{end:.1f}", (end, 0), xytext=(3 if side == "right" else -3, 3), textcoords="offset points",
                ha="left" if side == "right" else "right", fontsize=7.5, color=VERMILION,
            )  # fmt: skip
    axes.axvline(profile.estimate, color=INK, linewidth=0.9)
    axes.set_ylim(0, top)
    span = values[-1] - values[0]
    axes.set_xlim(values[0] - 0.2 * span, values[-1] + 0.2 * span)
    settle(
        axes,
        x="base temperature [°C]",
        y="twice the fall\nof the log-likelihood",
        title=f"base: {profile.estimate:.1f} °C",
    )


def _draw_region(axes: Axes, region: JointRegion, fit: FlightFit, flight: int) -> None:
    axes.fill(*region.outline.T, facecolor="#c9d9e6", edgecolor=BLUE, linewidth=1.2)
    profile = fit.profiles["base"]
    ridge = np.column_stack([profile.values, profile.path[:, flight]])
    ridge = ridge[np.argsort(ridge[:, 0])]
    axes.plot(*ridge[region.contains(ridge[:, 0], ridge[:, 1])].T, color=GREY, linewidth=1.0, linestyle="--")
    colour, marker, _ = SERIES[1]
    axes.plot([fit.base], [fit.requirement(flight)], marker, color=colour, markersize=5)
    name = f", flight {flight}" if fit.settings.flights > 1 else ""
    settle(
        axes,
        x="base temperature [°C]",
        y="requirement [°C-days]",
        title=f"{fit.requirement(flight):.0f} °C-days{name}",
    )


def _draw_published(axes: Axes, pairs: Sequence[tuple[str, float, float]]) -> None:
    colour, _, _ = SERIES[2]
    for (name, base, amount), marker in zip(pairs, cycle("^vDPX"), strict=False):
        axes.plot(
            [base], [amount], marker, color=colour, markersize=6, markerfacecolor="none", markeredgewidth=1.4, label=name
        )  # fmt: skip
    if pairs:
        axes.margins(x=0.14, y=0.1)
        axes.autoscale()
        # The ridge runs from the upper left to the lower right.
        axes.legend(fontsize=7.5, frameon=False, loc="upper right", handletextpad=0.2, borderaxespad=0.1)
