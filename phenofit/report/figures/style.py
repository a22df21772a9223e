"""The look of every figure of a report: sizes, colours, the mark on invented data, its files.

The colours are those of Okabe and Ito (2008), which are distinct for people with the common kinds of colour
blindness. Each goes with a marker or a dash of its own, so that the figures can be read in grey print.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter

from phenofit.files import writing
from phenofit.files.pictures import figure_bytes
from phenofit.seasons import Season, day_words

INK, GREY = "#222222", "#767676"
BLUE, VERMILION, GREEN = "#0072B2", "#D55E00", "#009E73"
ORANGE, PURPLE, SKY = "#E69F00", "#CC79A7", "#56B4E9"

SERIES = (
    (BLUE, "o", "-"),
    (VERMILION, "s", "--"),
    (GREEN, "^", "-."),
    (PURPLE, "D", ":"),
    (ORANGE, "v", (0, (5, 1, 1, 1))),
    (SKY, "P", (0, (1, 1))),
    (INK, "X", (0, (3, 1, 1, 1, 1, 1))),
)
"""Colour, marker and dash of each series; each of the three is distinct."""

_WIDTH_IN = 6.7  # 170 mm: the text width of a page of A4 or Letter


def new_figure(
    height: float, *, columns: int = 1, ratios: Sequence[float] | None = None
) -> tuple[Figure, list[Axes]]:
    """Return a figure of text width and its panels, side by side."""
    figure = Figure(figsize=(_WIDTH_IN, height), layout="constrained")
    panels = figure.subplots(1, columns, squeeze=False, width_ratios=ratios)[0]
    return figure, list(panels)


def settle(axes: Axes, *, x: str, y: str, title: str = "") -> None:
    """Set the labels and the frame of a panel."""
    axes.set_xlabel(x, fontsize=8.5, color=INK, parse_math=False)
    axes.set_ylabel(y, fontsize=8.5, color=INK, parse_math=False)
    if title:
        axes.set_title(title, fontsize=9.5, loc="left", color=INK, parse_math=False)
    axes.tick_params(labelsize=8, colors=INK)
    axes.grid(visible=True, color="#e3e3e3", linewidth=0.6)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def wrapped(text: str, width: int) -> str:
    """Return a label in lines of at most so many letters; words stay whole."""
    return "\n".join(textwrap.wrap(text, width, break_long_words=False, break_on_hyphens=False))


def day_axis(axes: Axes, season: Season, low: float, high: float, *, which: str = "x") -> None:
    """Label an axis of days since the season's start by month and day."""
    # A year without a leap day; a leap year shifts the labels by a day at most.
    first = season.first_day(2022)
    step = next((s for s in (2, 5, 7, 14, 28, 61) if (high - low) / s <= 8), 92)
    ticks = np.arange(np.ceil(low / step) * step, high + 1e-9, step)
    axis = axes.xaxis if which == "x" else axes.yaxis
    axis.set_major_locator(FixedLocator(list(ticks)))

    def label(value: float, _position: int | None = None) -> str:
        day = (first + np.timedelta64(round(value), "D")).astype(object)
        return day_words(day, short=True)

    axis.set_major_formatter(FuncFormatter(label))
    (axes.set_xlim if which == "x" else axes.set_ylim)(low, high)


def save(figure: Figure, folder: Path, name: str, *, invented: bool) -> bytes:
    """Write a figure as PNG and SVG at print size, marked if it shows invented data, and return the PNG."""
    if invented:
        stamp(figure)
    image = figure_bytes(figure)
    for ending, content in (("png", image), ("svg", figure_bytes(figure, "svg", dpi="figure"))):
        with writing(folder / f"{name}.{ending}") as temporary:
            temporary.write_bytes(content)
    return image


def stamp(figure: Figure) -> None:
    """Write into a figure that its data are invented."""
    # A heading of its own: the layout keeps it clear of the panels.
    figure.suptitle(
        "invented data", x=0.995, ha="right", fontsize=8, color=VERMILION, style="italic", weight="bold"
    )
