"""The picture of the records: traps by weeks, a block for each season, which shows flights and gaps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from phenofit.files.pictures import new_figure
from phenofit.records.weeks import RecordWeeks, record_weeks
from phenofit.seasons import MONTHS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import Colormap, LogNorm
    from matplotlib.figure import Figure

    from phenofit.records.records import Records

_INK, _GREY, _RED = "#222222", "#8c8c8c", "#D55E00"
_NONE = "#ececec"
_ROW_IN, _WEEK_IN = 0.16, 0.12  # size of a cell [inch]
_LEAST_IN, _MOST_WIDE_IN, _MOST_HIGH_IN = 6.7, 16.0, 30.0
_MARGIN_IN = 2.6  # width for the names of traps and the scale [inch]
_GAP = 2.0  # weeks between seasons


def plot_records(records: Records, *, ax: Axes | None = None) -> Axes:
    """Draw the records: a row for each trap, a column for each week, the seasons beside each other.

    Parameters
    ----------
    records : Records
        The records of one species.
    ax : matplotlib.axes.Axes, optional
        Where to draw; without it, on a new figure, ``plot_records(records).figure``.

    Returns
    -------
    matplotlib.axes.Axes
        Shade: moths per week on a logarithmic scale, each catch spread evenly over its interval. Pale grey: checked, no
        moth. Hatched: between the first and last check, but not watched or not checked. Cross: the week of a check that
        is left out of the records. Traps of one site are together.
    """
    weeks = record_weeks(records)
    if ax is None:
        ax = _figure([weeks])[1][0]
    _draw(ax, weeks, records.species, _norm(weeks))
    return ax


def records_figure(records: Sequence[Records], *, width: float = _MOST_WIDE_IN) -> Figure:
    """Draw the records of several species below each other.

    Parameters
    ----------
    records : sequence of Records
        One of each species.
    width : float
        Largest width [inch]; seasons that do not fit are drawn in further rows.

    Returns
    -------
    matplotlib.figure.Figure
    """
    shown = [
        (weeks, part, one.species)
        for one in records
        for weeks in [record_weeks(one)]
        for part in _rows(weeks, width)
    ]
    figure, panels = _figure([part for _, part, _ in shown])
    for axes, (weeks, part, species) in zip(panels, shown, strict=True):
        _draw(axes, part, species, _norm(weeks))
        # A last row with fewer seasons keeps the width of a week.
        axes.set_xlim(-0.5, max(_offsets(row)[-1] for row in _rows(weeks, width)) + 0.5)
    return figure


def _rows(weeks: RecordWeeks, width: float) -> list[RecordWeeks]:
    """Return the seasons in as many rows as their width needs."""
    per_season = (weeks.moths.shape[2] + _GAP) * _WEEK_IN
    fit = max(1, int((width - _MARGIN_IN) / per_season))
    rows = max(1, -(-len(weeks.labels) // fit))
    each = -(-len(weeks.labels) // rows) if weeks.labels else 1
    parts = [slice(k * each, (k + 1) * each) for k in range(rows)]
    return [
        replace(
            weeks, labels=weeks.labels[part], first=weeks.first[part], moths=weeks.moths[part],
            unchecked=weeks.unchecked[part], left_out=weeks.left_out[part],
        )
        for part in parts
    ]  # fmt: skip


def _norm(weeks: RecordWeeks) -> LogNorm:
    """Return the scale of the shades."""
    from matplotlib.colors import LogNorm

    largest = float(np.nanmax(weeks.moths, initial=1.0))
    # The least catch is still distinct from none.
    return LogNorm(vmin=float(weeks.moths[weeks.moths > 0].min(initial=1.0)), vmax=max(largest, 2.0))


def _figure(tables: Sequence[RecordWeeks]) -> tuple[Figure, list[Axes]]:
    wide = max(_offsets(weeks)[-1] for weeks in tables) * _WEEK_IN + _MARGIN_IN
    rows = [max(len(weeks.traps), 3) * _ROW_IN + 1.5 for weeks in tables]
    high = min(sum(rows), _MOST_HIGH_IN)
    figure = new_figure(min(max(wide, _LEAST_IN), _MOST_WIDE_IN), high, dpi=150, layout="constrained")
    panels = figure.subplots(len(tables), 1, squeeze=False, height_ratios=rows)[:, 0]
    return figure, list(panels)


def _offsets(weeks: RecordWeeks) -> np.ndarray:
    """Return where the block of each season begins, and the end of the last [weeks]."""
    number, width = len(weeks.labels), weeks.moths.shape[2]
    begin = np.arange(number) * (width + _GAP)
    return np.append(begin, begin[-1] + width if number else 1.0)


def _draw(axes: Axes, weeks: RecordWeeks, title: str, norm: LogNorm) -> None:
    from matplotlib.ticker import FuncFormatter

    least = float(norm.vmin or 1.0)
    shades = _shades()
    offsets, rows = _offsets(weeks), len(weeks.traps)
    mesh = None
    for season, label in enumerate(weeks.labels):
        x = offsets[season] + np.arange(weeks.moths.shape[2] + 1)
        # Zero is below every shade; a logarithm of it is not taken.
        shown = np.where(weeks.moths[season] == 0, least / 10, weeks.moths[season])
        mesh = axes.pcolormesh(
            x, np.arange(rows + 1), np.ma.masked_invalid(shown), norm=norm, cmap=shades, edgecolors="white",
            linewidth=0.3, rasterized=True,
        )  # fmt: skip
        _hatch(axes, weeks.unchecked[season], offsets[season])
        row, week = np.nonzero(weeks.left_out[season])
        axes.plot(
            offsets[season] + week + 0.5, row + 0.5, "x", color=_RED, markersize=3.5, markeredgewidth=0.9
        )
        axes.annotate(
            label, ((x[0] + x[-1]) / 2, 0), xytext=(0, 3), textcoords="offset points", ha="center", fontsize=8.5,
            color=_INK, annotation_clip=False,
        )  # fmt: skip
    axes.set_xlim(-0.5, offsets[-1] + 0.5)
    axes.set_ylim(max(rows, 1), 0)
    _label_weeks(axes, weeks, offsets)
    _label_traps(axes, weeks)
    axes.set_title(title, fontsize=9.5, loc="left", pad=18, color=_INK)
    for side in axes.spines.values():
        side.set_visible(False)
    if mesh is not None:
        _legend(axes)
        bar = axes.figure.colorbar(mesh, ax=axes, extend="min", shrink=min(1.0, 12 / max(rows, 1)), pad=0.01)
        bar.set_label("moths per week", fontsize=8)
        bar.ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        bar.ax.tick_params(labelsize=7)


def _shades() -> Colormap:
    """Return blue from pale to dark; its palest is distinct from a check without a moth."""
    from matplotlib import colormaps
    from matplotlib.colors import ListedColormap

    blues = ListedColormap(colormaps["Blues"](np.linspace(0.25, 1.0, 256)))
    return blues.with_extremes(under=_NONE, bad="white")


def _hatch(axes: Axes, marked: np.ndarray, offset: float) -> None:
    """Hatch runs of weeks, one rectangle each."""
    from matplotlib.collections import PolyCollection

    corners = []
    for row in np.flatnonzero(marked.any(axis=1)):
        change = np.flatnonzero(np.diff(marked[row].astype(np.int8), prepend=0, append=0))
        for begin, end in zip(change[::2], change[1::2], strict=True):
            a, b = offset + begin, offset + end
            corners.append([(a, row), (b, row), (b, row + 1), (a, row + 1)])
    if corners:
        axes.add_collection(
            PolyCollection(corners, facecolors="none", edgecolors=_GREY, hatch="/////", linewidths=0.0)
        )


def _label_weeks(axes: Axes, weeks: RecordWeeks, offsets: np.ndarray) -> None:
    """Label the first day of months, as many as there is room for."""
    width = weeks.moths.shape[2]
    places, texts = [], []
    per_week = _inches(axes)[0] / max(float(offsets[-1]), 1.0)
    step = next((n for n in (1, 2, 3, 6) if n * 4.35 * per_week >= 0.32), 12)
    for offset, first in zip(offsets, weeks.first, strict=False):
        months = np.arange(first.astype("datetime64[M]"), (first + 7 * width).astype("datetime64[M]") + 1)
        for month in months[:: 1 if step == 1 else step]:
            day = (month.astype("datetime64[D]") - first) / np.timedelta64(7, "D")
            if 0 <= day <= width:
                places.append(float(offset + day))
                texts.append(MONTHS[month.astype(object).month - 1][:3])
    axes.set_xticks(places, texts, fontsize=7)
    axes.tick_params(axis="x", length=2.5, colors=_INK)


def _inches(axes: Axes) -> tuple[float, float]:
    """Return width and height of a panel."""
    figure = axes.get_figure(root=True)
    assert figure is not None  # a panel without a figure cannot be drawn on
    extent = axes.get_window_extent()
    return extent.width / figure.dpi, extent.height / figure.dpi


def _label_traps(axes: Axes, weeks: RecordWeeks) -> None:
    """Name the traps, with the site before the first of its traps; a line parts the sites."""
    rows = len(weeks.traps)
    inches = _inches(axes)[1]
    size = float(np.clip(0.75 * 72 * inches / max(rows, 1), 3.5, 7.5))
    step = max(1, int(np.ceil(0.06 * rows / max(inches, 0.1))))
    shared = len(set(weeks.sites)) < rows
    texts = []
    for i, (trap, site) in enumerate(zip(weeks.traps, weeks.sites, strict=True)):
        first = i == 0 or weeks.sites[i - 1] != site
        texts.append(f"{site}:  {trap}" if shared and first and site != trap else trap)
        if shared and first and i:
            axes.axhline(i, color=_GREY, linewidth=0.5)
    axes.set_yticks(np.arange(rows)[::step] + 0.5, [_short(text) for text in texts[::step]], fontsize=size)
    axes.tick_params(axis="y", length=0)


def _short(name: str) -> str:
    # Between dollar signs matplotlib would read a formula.
    name = name.replace("$", r"\$")
    return name if len(name) <= 32 else f"{name[:31]}…"


def _legend(axes: Axes) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    keys = [
        Patch(facecolor=_NONE, edgecolor="white", label="checked, no moth"),
        Patch(facecolor="none", edgecolor=_GREY, hatch="/////", linewidth=0, label="not checked"),
        Line2D([], [], marker="x", linestyle="none", color=_RED, markersize=4, label="left out"),
    ]
    axes.legend(
        handles=keys, loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3, fontsize=7, frameon=False,
        borderaxespad=1.6, handlelength=1.4, columnspacing=1.2,
    )  # fmt: skip
