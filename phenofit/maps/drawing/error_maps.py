"""Maps at print size with matplotlib."""

from __future__ import annotations

import textwrap
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import matplotlib
import numpy as np
import xarray as xr
from matplotlib.colors import LinearSegmentedColormap, Normalize
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from phenofit.errors import ModelError, PhenofitWarning
from phenofit.files.pictures import new_figure
from phenofit.maps.drawing.captions import map_caption, map_title
from phenofit.maps.drawing.map_frame import (
    Frame,
    draw_graticule,
    draw_outlines,
    draw_scale_and_north,
    frame_of,
)
from phenofit.maps.drawing.raster import cell_colours, hatch_mask
from phenofit.maps.drawing.scales import QUANTITIES, Quantity, limits, season_classes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_INK = "#2f2f2f"
_LABELLED_SITES = 60
_WIDTH_IN = 6.7  # 170 mm, a text width
# Symbols by number of seasons: shape and size both grow, so that they differ in colour and in grey print.
_CLASSES = (
    (1, 1, "v", 26, "1 season"),
    (2, 3, "s", 30, "2-3 seasons"),
    (4, 6, "o", 44, "4-6 seasons"),
    (7, 10**6, "o", 78, "7 or more seasons"),
)


def draw_error_map(
    dataset: xr.Dataset, quantity: str = "bias", *, outlines: str | Path | None = None, ax: Axes | None = None
) -> Figure:
    """Draw one map, at text width with scale, north arrow and caption, or on a panel of the user's own."""
    if quantity not in QUANTITIES:
        raise ModelError(f"'{quantity}' is no map; accepted are {', '.join(QUANTITIES)}.")
    shown = QUANTITIES[quantity]
    canvas = Canvas(dataset, shown, outlines, ax)
    handles = _draw_sites(canvas.axes, dataset, shown, canvas.colours, canvas.norm)
    if shown.name == "next trap":
        handles += _draw_best_place(canvas.axes, dataset)
    if hatch_mask(dataset, shown) is not None:
        handles.append(
            Patch(facecolor="white", edgecolor="#8a8a8a", hatch="////", linewidth=0.5, label="no trap supports it")
        )  # fmt: skip
    return canvas.completed(map_title(dataset, shown), map_caption(dataset, outlines, shown=shown), handles)


class Canvas:
    """A panel with the cells of one quantity, outlines and graticule; sites and words come later."""

    def __init__(
        self, dataset: xr.Dataset, shown: Quantity, outlines: str | Path | None, ax: Axes | None = None
    ) -> None:
        self.shown, self.frame = shown, frame_of(dataset)
        if ax is None:
            self._sheet: _Sheet | None = _layout(self.frame)
            self.axes = self._sheet.axes
        else:
            self._sheet, self.axes = None, ax
        self.axes.set_aspect("equal")
        low, high, self._ticks = limits(dataset, shown)
        self.colours = LinearSegmentedColormap.from_list(shown.name, shown.colours)
        self.norm = Normalize(low, high)
        _draw_cells(self.axes, dataset, shown, (low, high), self._ticks)
        draw_outlines(self.axes, self.frame, outlines)
        draw_graticule(self.axes, self.frame)

    def completed(self, title: str, words: str, handles: list[Any]) -> Figure:
        """Add title, scale, legend and caption, and return the figure."""
        frame, axes = self.frame, self.axes
        axes.set_xlim(frame.west / 1000.0, frame.east / 1000.0)
        axes.set_ylim(frame.south / 1000.0, frame.north / 1000.0)
        axes.set_title(printable(title), fontsize=10, loc="left", color=_INK, parse_math=False)
        scalar = matplotlib.cm.ScalarMappable(norm=self.norm, cmap=self.colours)
        figure = axes.get_figure(root=True)
        assert isinstance(figure, Figure)  # a panel stands in a figure
        sheet = self._sheet
        where: dict[str, Any] = {"ax": axes, "shrink": 0.8} if sheet is None else {"cax": sheet.bar}
        colour_bar = figure.colorbar(scalar, orientation="horizontal", ticks=self._ticks, **where)
        texts = [self.shown.tick(float(round(t, 6))) for t in self._ticks]
        colour_bar.ax.set_xticklabels(texts, fontsize=7, color=_INK)
        colour_bar.set_label(self.shown.label, fontsize=8, color=_INK)
        if sheet is None:
            if handles:
                axes.legend(handles=handles, loc="best", fontsize=7)
            return figure
        draw_scale_and_north(sheet.strip, frame)
        sheet.foot.axis("off")
        if handles:
            sheet.foot.legend(
                handles=handles, loc="upper left", ncols=3, fontsize=7, frameon=False, borderaxespad=0.0
            )
        top = 0.97 - 0.19 * -(-len(handles) // 3)
        text = textwrap.fill(printable(words), 118)
        style: dict[str, Any] = {"fontsize": 6.8, "va": "top", "color": _INK, "linespacing": 1.3}
        sheet.foot.text(0.0, top, text, parse_math=False, **style)
        return figure


def printable(text: str) -> str:
    """Replace characters that the figure's font cannot show by ``?``, with a warning that names them."""
    font = get_font(findfont(FontProperties(family="DejaVu Sans")))
    absent = sorted({c for c in text if c.isprintable() and not font.get_char_index(ord(c))})
    if absent:
        warnings.warn(
            f"the figure's font has no sign for {' '.join(absent)}; '?' stands in their place.",
            PhenofitWarning,
            stacklevel=2,
        )
    return "".join("?" if c in absent else c for c in text)


@dataclass(frozen=True)
class _Sheet:
    """The panels of a map at print size."""

    axes: Axes  # The map.
    bar: Axes  # Its colours.
    strip: Axes  # Scale and north arrow.
    foot: Axes  # Legend and caption.


def _layout(frame: Frame) -> _Sheet:
    map_width = 0.86 * _WIDTH_IN
    map_height = map_width * (frame.north - frame.south) / (frame.east - frame.west)
    foot, bar, strip, top = 1.25, 0.62, 0.38, 0.32
    height = map_height + foot + bar + strip + top
    figure = new_figure(_WIDTH_IN, height, dpi=100, facecolor="white")
    left = 0.09

    def panel(bottom: float, tall: float, *, at: float = left, wide: float = 0.86) -> Axes:
        return figure.add_axes((at, bottom / height, wide, tall / height))

    axes = panel(foot + bar + strip, map_height)
    axes.set_facecolor("white")
    for spine in axes.spines.values():
        spine.set_color(_INK)
        spine.set_linewidth(0.7)
    return _Sheet(
        axes,
        panel(foot + bar - 0.24, 0.13, at=left + 0.05, wide=0.76),
        panel(foot + bar - 0.02, strip - 0.16),
        panel(0.02, foot - 0.12, at=0.045, wide=0.93),
    )


def _draw_cells(
    axes: Axes, dataset: xr.Dataset, shown: Quantity, ends: tuple[float, float], ticks: np.ndarray
) -> None:
    image = cell_colours(dataset, shown, *ends)
    if image is None or shown.field is None:
        return
    values = dataset[shown.field].to_numpy().astype(float)
    half = float(dataset.attrs["cell_m"]) / 2000.0
    x, y = dataset["x"].to_numpy() / 1000.0, dataset["y"].to_numpy() / 1000.0
    axes.imshow(
        image,
        extent=(x[0] - half, x[-1] + half, y[-1] - half, y[0] + half),
        zorder=1,
        interpolation="nearest",
    )
    if min(values.shape) < 2:
        return
    mask = hatch_mask(dataset, shown)
    if mask is not None:
        outside = mask.astype(float)
        with matplotlib.rc_context({"hatch.linewidth": 0.35, "hatch.color": "#8a8a8a"}):
            axes.contourf(x, y, outside, levels=[0.5, 1.5], colors="none", hatches=["////"], zorder=1.5)
    inner = ticks[(ticks > ends[0]) & (ticks < ends[1])]
    inner = inner[(inner > np.nanmin(values)) & (inner < np.nanmax(values))]
    if len(inner):
        dashes = ["dashed" if t < 0 else "solid" for t in inner]
        style: dict[str, Any] = {"colors": _INK, "linewidths": 0.6, "zorder": 2, "linestyles": dashes}
        lines = axes.contour(x, y, values, levels=inner, **style)
        axes.clabel(lines, fmt=lambda v: shown.tick(float(round(v, 6))), fontsize=6)


def _draw_sites(axes: Axes, dataset: xr.Dataset, shown: Quantity, colours: Any, norm: Normalize) -> list[Any]:
    x, y = dataset["site_x"].to_numpy() / 1000.0, dataset["site_y"].to_numpy() / 1000.0
    classes = season_classes(dataset["site_seasons"].to_numpy())
    values = dataset[shown.site].to_numpy() if shown.site else np.full(len(x), np.nan)
    # Many sites would cover the surface; the symbols then shrink together.
    shrink = min(1.0, np.sqrt(80.0 / len(x)))
    handles = []
    for number, (_, _, marker, size, label) in enumerate(_CLASSES):
        here = classes == number
        if not here.any():
            continue
        known = np.isfinite(values[here])
        face = colours(norm(np.where(known, values[here], norm.vmin)))
        face[~known] = (1.0, 1.0, 1.0, 0.6)
        edge: dict[str, Any] = {"edgecolors": "black", "linewidths": 0.8, "zorder": 5}
        axes.scatter(x[here], y[here], s=size * shrink, marker=marker, c=face, **edge)
        handles.append(
            Line2D([], [], marker=marker, linestyle="none", markersize=np.sqrt(size) * 0.9, markerfacecolor="white",
                   markeredgecolor="black", markeredgewidth=0.8, label=f"site, {label}")
        )  # fmt: skip
    if shown.site and cell_colours(dataset, shown, 0.0, 1.0) is None and len(x) <= _LABELLED_SITES:
        # Without a surface there are no contours: the labels show early and late in grey print.
        for px, py, value in zip(x, y, values, strict=True):
            if np.isfinite(value):
                text = shown.tick(round(float(value), 2 if shown.name == "coverage" else 1))
                style: dict[str, Any] = {
                    "textcoords": "offset points",
                    "ha": "center",
                    "va": "top",
                    "fontsize": 6,
                }
                axes.annotate(text, (px, py), xytext=(0, -6), **style)
    return handles


def _draw_best_place(axes: Axes, dataset: xr.Dataset) -> list[Any]:
    gain = dataset["next_trap_gain"].to_numpy()
    if not np.isfinite(gain).any():
        return []
    row, column = np.unravel_index(int(np.nanargmax(gain)), gain.shape)
    x, y = float(dataset["x"][column]) / 1000.0, float(dataset["y"][row]) / 1000.0
    style: dict[str, Any] = {"marker": "P", "markerfacecolor": "white", "markeredgecolor": "black"}
    axes.plot([x], [y], linestyle="none", markersize=11, markeredgewidth=1.0, zorder=6, **style)
    before = float(dataset.attrs["mean_kriging_variance_days2"])
    share = f"one more trap here: mean variance falls by {100 * float(gain[row, column]) / before:.0f} %"
    return [Line2D([], [], linestyle="none", markersize=9, label=share, **style)]
