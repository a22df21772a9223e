"""The look of every figure: style, panels, colours, the mark on invented data, its files.

The colours are those of Okabe and Ito (2008), which are distinct for people with the common kinds of colour
blindness. Each goes with a marker or a dash of its own, so that the figures can be read in grey print.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TypeAlias

import matplotlib
import matplotlib.style
import numpy as np
import numpy.typing as npt
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter

from phenofit.errors import ModelError
from phenofit.files import writing
from phenofit.files.pictures import figure_bytes, laid_out, new_figure, page_png
from phenofit.seasons import Season, day_words

INK, GREY = "#222222", "#767676"
BLUE, VERMILION, GREEN = "#0072B2", "#D55E00", "#009E73"
ORANGE, PURPLE, SKY = "#E69F00", "#CC79A7", "#56B4E9"
PALE = "#c9d9e6"  # an area behind lines

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
_OURS = "phenofit.plots.phenofit"
PRINT_DPI, PAGE_DPI = 300, 150

Panels: TypeAlias = npt.NDArray[np.object_]


@contextmanager
def styled(style: str | None) -> Iterator[None]:
    """Draw in a matplotlib style: the package's own for ``"phenofit"``, another by its name, none for None."""
    if style is None:
        yield
        return
    name = _OURS if style == "phenofit" else style
    try:
        context = matplotlib.style.context(name)
        with context:
            yield
    except OSError as error:
        accepted = f"phenofit, {', '.join(sorted(matplotlib.style.available))}"
        raise ModelError(f"there is no style '{style}'; accepted are None, {accepted}.") from error


def one_panel(ax: Axes | None, height: float) -> Axes:
    """Return the panel to draw on: the one given, or that of a new figure of text width."""
    return panels_of(None if ax is None else [ax], 1, height)[0]  # type: ignore[no-any-return]


def panels_of(
    ax: Iterable[Axes] | None,
    count: int,
    height: float,
    *,
    ratios: Sequence[float] | None = None,
    columns: int = 0,
) -> Panels:
    """Return as many panels: those given, or those of a new figure of text width, side by side or in rows."""
    if ax is None:
        columns = columns or count
        rows = -(-count // columns)
        figure = new_figure(_WIDTH_IN, height, layout="constrained")
        grid = figure.subplots(rows, columns, squeeze=False, width_ratios=ratios).ravel()
        for empty in grid[count:]:
            empty.remove()
        return np.asarray(grid[:count], dtype=object)
    given = np.asarray(ax, dtype=object).ravel()
    if len(given) != count:
        raise ModelError(f"ax has {len(given)} panels; this figure has {count}.")
    return given


def figure_of(panels: Axes | Panels) -> Figure:
    """Return the figure that panels belong to."""
    first = panels if isinstance(panels, Axes) else panels[0]
    figure = first.get_figure(root=True)
    assert isinstance(figure, Figure)  # a panel stands in a figure
    return figure


def letters(count: int) -> list[str]:
    """Return the letter before the title of each panel; none where there is one panel only."""
    return [""] if count == 1 else [f"({chr(ord('a') + i)}) " for i in range(count)]


def settle(axes: Axes, *, x: str, y: str, title: str = "") -> None:
    """Set the labels of a panel, and give it the look of the style that is in force."""
    now = matplotlib.rcParams
    # A panel of the user's own may be older than the style.
    axes.set_xlabel(x, parse_math=False, fontsize=now["axes.labelsize"], color=now["axes.labelcolor"])
    axes.set_ylabel(y, parse_math=False, fontsize=now["axes.labelsize"], color=now["axes.labelcolor"])
    if title.strip():
        axes.set_title(title.strip(), parse_math=False)
    # Ticks and grid lines are made when the figure is drawn, after the style has ended.
    grid = {"grid_color": now["grid.color"], "grid_linewidth": now["grid.linewidth"]}
    axes.tick_params(axis="x", labelsize=now["xtick.labelsize"], colors=now["xtick.color"], **grid)
    axes.tick_params(axis="y", labelsize=now["ytick.labelsize"], colors=now["ytick.color"], **grid)
    axes.grid(visible=bool(now["axes.grid"]))
    axes.set_axisbelow(now["axes.axisbelow"])
    axes.spines["top"].set_visible(bool(now["axes.spines.top"]))
    axes.spines["right"].set_visible(bool(now["axes.spines.right"]))


def shared_legend(panels: Panels, handles: Sequence[Artist] | None, *, own: bool, columns: int = 2) -> None:
    """Put one legend below the panels of a figure of our own, or into the first of the panels given."""
    if handles is None:
        handles = panels[0].get_legend_handles_labels()[0]
    if own:
        figure_of(panels).legend(handles=handles, loc="outside lower center", ncols=columns)
    else:
        panels[0].legend(handles=handles)


def wrapped(text: str, width: int) -> str:
    """Return a label in lines of at most `width` letters; words stay whole."""
    return "\n".join(textwrap.wrap(text, width, break_long_words=False, break_on_hyphens=False))


def day_axis(axes: Axes, season: Season, low: float, high: float, *, which: str = "x", most: int = 8) -> None:
    """Label an axis of days since the season's start by month and day, with at most about `most` labels."""
    # A year without a leap day; a leap year shifts the labels by a day at most.
    first = season.first_day(2022)
    step = next((s for s in (2, 5, 7, 14, 28, 61) if (high - low) / s <= most), 92)
    ticks = np.arange(np.ceil(low / step) * step, high + 1e-9, step)
    axis = axes.xaxis if which == "x" else axes.yaxis
    axis.set_major_locator(FixedLocator(list(ticks)))

    def label(value: float, _position: int | None = None) -> str:
        day = (first + np.timedelta64(round(value), "D")).astype(object)
        return day_words(day, short=True)

    axis.set_major_formatter(FuncFormatter(label))
    (axes.set_xlim if which == "x" else axes.set_ylim)(low, high)


def save(figure: Figure, folder: Path, name: str, *, invented: bool) -> bytes:
    """Write a figure as PNG and SVG for print, marked if it shows invented data; return a smaller PNG for a page."""
    if invented:
        stamp(figure)
    with laid_out(figure, PRINT_DPI):
        printed, drawing = figure_bytes(figure, dpi=PRINT_DPI), figure_bytes(figure, "svg", dpi=PRINT_DPI)
    # Letters are wider where there are fewer pixels: the page has a layout of its own.
    page = page_png(figure, dpi=PAGE_DPI)
    for ending, content in (("png", printed), ("svg", drawing)):
        with writing(folder / f"{name}.{ending}") as temporary:
            temporary.write_bytes(content)
    return page


def stamp(figure: Figure) -> None:
    """Write into a figure that its data are invented."""
    # A heading of its own: the layout keeps it clear of the panels.
    figure.suptitle(
        "invented data", x=0.995, ha="right", fontsize=8, color=VERMILION, style="italic", weight="bold"
    )
