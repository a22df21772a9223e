"""Figures of a fit: the flight on the heat scale, the profile of the base, base and requirement together."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import cycle

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection

from phenofit.errors import ModelError
from phenofit.flight.inference.joint_regions import JointRegion
from phenofit.flight.intervals.profile import Profile, cut_root
from phenofit.flight.result import FlightFit
from phenofit.plots.cumulative_curves import CumulativeCurve, cumulative_curve
from phenofit.plots.flight_curves import CatchCurve, flight_curve
from phenofit.plots.style import BLUE, GREY, INK, PALE, SERIES, VERMILION, one_panel, settle, styled, wrapped
from phenofit.records import Records
from phenofit.validate.thresholds.threshold import PublishedThreshold
from phenofit.wording import heat_words, start_words

_LABEL = 90  # letters that go below a panel of the whole width


def plot_flight(
    fit: FlightFit, records: Records | None = None, *, ax: Axes | None = None, style: str | None = "phenofit"
) -> Axes:
    """Draw the fitted flight on the heat scale, with the catches where records are given.

    Parameters
    ----------
    fit : FlightFit
        The fit.
    records : Records, optional
        What it was fitted to. Each trap-year counts alike; the catch of a check is spread evenly over the heat between
        two checks.
    ax : matplotlib.axes.Axes, optional
        Where to draw; without it, on a new figure, ``plot_flight(fit).figure``.
    style : str or None
        A matplotlib style: the package's own by default; None leaves the settings of matplotlib as they are.

    Returns
    -------
    matplotlib.axes.Axes
        Share of a season's catch per class of heat [% per class; °C-days]. The fitted curve is widened by the shifts of
        trap-years; a dashed line stands at half of each flight.

    Examples
    --------
    Beside other panels of your own figure::

        figure, (left, right) = plt.subplots(1, 2)
        phenofit.plot_flight(fit, records, ax=left)
    """
    return draw_flight(flight_curve(fit, records), fit, ax=ax, style=style)


def draw_flight(
    curve: CatchCurve, fit: FlightFit, *, ax: Axes | None = None, style: str | None = "phenofit"
) -> Axes:
    """Draw a curve of catches and flight that is computed already."""
    with styled(style):
        axes = one_panel(ax, 3.1)
        _draw_flight(axes, curve, fit)
    return axes


def _draw_flight(axes: Axes, curve: CatchCurve, fit: FlightFit) -> None:
    step = curve.edges[1] - curve.edges[0]
    if curve.trap_years:
        axes.bar(
            curve.edges[:-1], curve.caught, width=step, align="edge", color=PALE, edgecolor="#8fa9bd",
            linewidth=0.4, label=f"catches, mean of {curve.trap_years} trap-years",
        )  # fmt: skip
    axes.plot(
        curve.heat,
        curve.flown,
        color=BLUE,
        linewidth=1.8,
        label="fitted flight, shifts of trap-years included",
    )
    top = 1.14 * max(float(curve.caught.max(initial=0.0)), float(curve.flown.max()))
    for flight, requirement in enumerate(curve.requirements, start=1):
        axes.axvline(requirement, color=VERMILION, linewidth=1.2, linestyle="--")
        name = f"half of flight {flight}: " if len(curve.requirements) > 1 else "half of the flight: "
        axes.annotate(
            f"{name}{requirement:.0f}", (requirement, top), xytext=(4, -2), textcoords="offset points", va="top",
            fontsize="small", color=VERMILION,
        )  # fmt: skip
    axes.set_ylim(0, top * 1.02)
    axes.set_xlim(curve.edges[0], curve.edges[-1])
    settle(axes, x=heat_label(fit), y=f"share of a season's catch\n[% per {step:.0f} °C-days]")
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, borderaxespad=0.2)


def plot_cumulative(
    fit: FlightFit, records: Records | None = None, *, ax: Axes | None = None, style: str | None = "phenofit"
) -> Axes:
    """Draw the cumulative catch against heat, with the fitted curve and its bands.

    Parameters
    ----------
    fit : FlightFit
        The fit.
    records : Records, optional
        What it was fitted to: a thin line for each trap-year.
    ax : matplotlib.axes.Axes, optional
        Where to draw; without it, on a new figure.
    style : str or None
        A matplotlib style: the package's own by default; None leaves the settings of matplotlib as they are.

    Returns
    -------
    matplotlib.axes.Axes
        Cumulative share of a season's catch [%] against heat above the fitted base [°C-days]. Pale band: 95 % of the
        catches of trap-years at each heat, with their shifts, the sizes of their flights and the chance of each catch. Dark
        band: 95 % interval of the curve of a typical trap-year at the fitted base. Neither holds strays.

    Examples
    --------
    ::

        phenofit.plot_cumulative(fit, records, style=None)
    """
    return draw_cumulative(cumulative_curve(fit, records), fit, ax=ax, style=style)


def draw_cumulative(
    curve: CumulativeCurve, fit: FlightFit, *, ax: Axes | None = None, style: str | None = "phenofit"
) -> Axes:
    """Draw a cumulative curve with its bands that is computed already."""
    with styled(style):
        axes = one_panel(ax, 3.3)
        _draw_cumulative(axes, curve, fit)
    return axes


def _draw_cumulative(axes: Axes, curve: CumulativeCurve, fit: FlightFit) -> None:
    axes.fill_between(
        curve.heat, curve.trap_low, curve.trap_high, color=PALE, linewidth=0, label="95 % of trap-years"
    )
    if curve.observed:
        lines = LineCollection(
            list(curve.observed), colors="#6b6b6b", linewidths=0.5, alpha=0.45, rasterized=True,
            label=f"catches of {len(curve.observed)} trap-years",
        )  # fmt: skip
        axes.add_collection(lines)
    axes.fill_between(
        curve.heat,
        curve.low,
        curve.high,
        color=BLUE,
        alpha=0.5,
        zorder=2.5,
        linewidth=0,
        label="95 % interval of the curve",
    )
    axes.plot(
        curve.heat, curve.typical, color=BLUE, linewidth=1.8, zorder=3, label="fitted, a typical trap-year"
    )
    axes.set_xlim(curve.heat[0], curve.heat[-1])
    axes.set_ylim(0.0, 101.0)
    settle(axes, x=heat_label(fit), y="cumulative share\nof a season's catch [%]")
    axes.legend(loc="lower right")


def heat_label(fit: FlightFit, width: int = _LABEL) -> str:
    """Return the label of an axis of heat: unit, start, method and base."""
    return wrapped(f"heat since {start_words(fit.settings.start_words)} [°C-days; {heat_words(fit)}]", width)


def plot_base(fit: FlightFit, *, ax: Axes | None = None, style: str | None = "phenofit") -> Axes:
    """Draw the profile likelihood of the base temperature.

    Parameters
    ----------
    fit : FlightFit
        A fit whose base was fitted, not held.
    ax : matplotlib.axes.Axes, optional
        Where to draw; without it, on a new figure.
    style : str or None
        A matplotlib style: the package's own by default; None leaves the settings of matplotlib as they are.

    Returns
    -------
    matplotlib.axes.Axes
        Twice the fall of the log-likelihood against the base [°C], every other parameter refitted. Below the dashed line
        lies the interval; an end that these data leave open is marked.

    Raises
    ------
    ModelError
        If the base was held.

    Examples
    --------
    ::

        phenofit.plot_base(fit).figure.savefig("base.pdf")
    """
    profile = fit.profile("base")
    with styled(style):
        axes = one_panel(ax, 2.9)
        _draw_profile(axes, profile, fit)
    return axes


def plot_region(
    fit: FlightFit,
    region: JointRegion,
    *,
    thresholds: Sequence[PublishedThreshold] = (),
    ax: Axes | None = None,
    style: str | None = "phenofit",
) -> Axes:
    """Draw the joint region of base and requirement, with published pairs.

    Parameters
    ----------
    fit : FlightFit
        A fit whose base was fitted.
    region : JointRegion
        Its joint region of base and requirement, see :func:`phenofit.flight.joint_region`.
    thresholds : sequence of PublishedThreshold
        Published thresholds. Those of this flight on the terms of the fit are marked: half of the flight, the same
        start, method and upper threshold.
    ax : matplotlib.axes.Axes, optional
        Where to draw; without it, on a new figure.
    style : str or None
        A matplotlib style: the package's own by default; None leaves the settings of matplotlib as they are.

    Returns
    -------
    matplotlib.axes.Axes
        Requirement [°C-days] against base [°C]. Dashed: the ridge, the best requirement at each base.

    Raises
    ------
    ModelError
        If the region is not that of the base and a requirement.

    Examples
    --------
    ::

        region = phenofit.flight.joint_region(fit, records)
        phenofit.plot_region(fit, region, thresholds=phenofit.load_study("study.toml").published_for(species))
    """
    flight = _flight_of(region)
    with styled(style):
        axes = one_panel(ax, 3.4)
        _draw_region(axes, region, fit, flight)
        _draw_published(axes, published_pairs(fit, thresholds, flight))
    return axes


def _flight_of(region: JointRegion) -> int:
    first, _, number = region.names[1].partition("_")
    if region.names[0] != "base" or first != "requirement":
        raise ModelError(f"the region is of {' and '.join(region.names)}; base and requirement are drawn.")
    return int(number)


def published_pairs(
    fit: FlightFit, thresholds: Sequence[PublishedThreshold], flight: int
) -> list[tuple[str, float, float]]:
    """Return name, base [degC] and requirement [degC d] of the thresholds of a flight that are on the terms of the fit."""
    settings = fit.settings
    return [
        (one.id, one.base, one.amount_degc_d)
        for one in thresholds
        if one.unusable is None
        and one.base is not None
        and (one.flight, one.event, one.start) == (flight, "flight_50", settings.start_words)
        and one.heat_settings(settings.heat) == settings.heat
    ]


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
        f"{100 * level:g} % cut", (profile.estimate, cut), ha="center", va="center", fontsize="small", color=GREY,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
    )  # fmt: skip
    low, high = fit.interval("base")
    top = 1.25 * max(cut, 1.0)
    for end, bound, side in ((low, profile.low_bound, "left"), (high, profile.high_bound, "right")):
        if end is None:
            axes.annotate(
                "open", (bound, 0.04 * top), ha=side, fontsize="small", weight="bold", color=VERMILION
            )
        else:
            axes.plot([end, end], [0, cut], color=VERMILION, linewidth=1.0, linestyle=":")
            axes.annotate(
                f"{end:.1f}", (end, 0), xytext=(3 if side == "right" else -3, 3), textcoords="offset points",
                ha="left" if side == "right" else "right", fontsize="small", color=VERMILION,
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
    axes.fill(*region.outline.T, facecolor=PALE, edgecolor=BLUE, linewidth=1.2)
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
        axes.legend(loc="upper right", handletextpad=0.2, borderaxespad=0.1)
