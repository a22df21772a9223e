"""Outlines, graticule, scale bar and north arrow of a map."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from phenofit.maps.borders import bundled_lines, read_lines
from phenofit.maps.drawing.scales import nice_step
from phenofit.maps.export import plane_of
from phenofit.maps.projection import Plane

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_INK = "#2f2f2f"
_COUNTY_EXTENT_KM = 700.0


class Frame:
    """The rectangle of a map on its plane."""

    def __init__(self, plane: Plane, west: float, south: float, east: float, north: float) -> None:
        self.plane = plane
        self.west, self.south, self.east, self.north = west, south, east, north
        xx, yy = np.meshgrid(np.linspace(west, east, 41), np.linspace(south, north, 41))
        longitude, latitude = plane.to_earth(xx, yy)
        middle = float(plane.to_earth(np.array([(west + east) / 2]), np.array([(south + north) / 2]))[0][0])
        around = (longitude - middle + 180.0) % 360.0 - 180.0
        self.middle_longitude = middle
        self.low_longitude, self.high_longitude = middle + float(around.min()), middle + float(around.max())
        self.low_latitude, self.high_latitude = float(latitude.min()), float(latitude.max())

    @property
    def extent_km(self) -> float:
        """The longer side [km]."""
        return max(self.east - self.west, self.north - self.south) / 1000.0


def frame_of(dataset: xr.Dataset) -> Frame:
    """Return the frame of a map: its grid, widened where it is much longer than wide."""
    half = float(dataset.attrs["cell_m"]) / 2.0
    x, y = dataset["x"].to_numpy(), dataset["y"].to_numpy()
    west, east = float(x.min()) - half, float(x.max()) + half
    south, north = float(y.min()) - half, float(y.max()) + half
    width, height = east - west, north - south
    spare_x, spare_y = max(0.0, height / 1.3 - width) / 2, max(0.0, width / 2.2 - height) / 2
    return Frame(plane_of(dataset), west - spare_x, south - spare_y, east + spare_x, north + spare_y)


def outline_lines(frame: Frame, own: str | Path | None = None) -> list[tuple[int, np.ndarray]]:
    """Return the outlines in a frame as rank (0 coasts, 1 borders, 2 counties) and points [m]."""
    if own is not None:
        found = [(0, line) for line in read_lines(own)]
    else:
        west = (frame.low_longitude + 180.0) % 360.0 - 180.0
        east = (frame.high_longitude + 180.0) % 360.0 - 180.0
        if frame.high_longitude - frame.low_longitude > 350.0:
            west, east = -180.0, 180.0
        finest = 2 if frame.extent_km <= _COUNTY_EXTENT_KM else 1
        found = bundled_lines(west, frame.low_latitude, east, frame.high_latitude, finest=finest)
    lines = []
    for rank, line in found:
        # Far from the centre of the plane a line may jump across the map; such points are left out.
        near = np.abs((line[:, 0] - frame.middle_longitude + 180.0) % 360.0 - 180.0) < 120.0
        for piece in np.split(np.arange(len(line)), np.flatnonzero(np.diff(near.astype(int))) + 1):
            if len(piece) < 2 or not near[piece[0]]:
                continue
            xy = np.column_stack(frame.plane.to_plane(line[piece, 0], line[piece, 1]))
            if _touches(frame, xy):
                lines.append((rank, xy))
    return lines


def _touches(frame: Frame, xy: np.ndarray) -> bool:
    low, high = xy.min(axis=0), xy.max(axis=0)
    return bool(
        low[0] <= frame.east and high[0] >= frame.west and low[1] <= frame.north and high[1] >= frame.south
    )


def degree_step(span: float) -> float:
    """Return a step of degrees that gives three to six lines over a span."""
    steps = (0.01, 0.02, 0.05, 0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 15.0, 30.0)
    return next((s for s in steps if span / s <= 5.0), 45.0)


def graticule_lines(frame: Frame) -> list[tuple[str, float, np.ndarray]]:
    """Return meridians and parallels of a frame."""
    lines = []
    span_longitude = frame.high_longitude - frame.low_longitude
    step = degree_step(span_longitude)
    along = np.linspace(max(frame.low_latitude - 1, -90), min(frame.high_latitude + 1, 90), 181)
    for degrees in (
        np.arange(np.ceil(frame.low_longitude / step), np.floor(frame.high_longitude / step) + 1) * step
    ):
        xy = np.column_stack(frame.plane.to_plane(np.full_like(along, degrees), along))
        lines.append(("meridian", float((degrees + 180.0) % 360.0 - 180.0), xy))
    step = degree_step(frame.high_latitude - frame.low_latitude)
    along = np.linspace(frame.low_longitude - 1, frame.high_longitude + 1, 181)
    for degrees in (
        np.arange(np.ceil(frame.low_latitude / step), np.floor(frame.high_latitude / step) + 1) * step
    ):
        xy = np.column_stack(frame.plane.to_plane(along, np.full_like(along, degrees)))
        lines.append(("parallel", float(degrees), xy))
    return lines


def degree_label(kind: str, degrees: float) -> str:
    """Write a meridian or parallel: ``"98.5° W"``, ``"35° S"``, ``"0°"``."""
    size = f"{abs(round(degrees, 4)):g}°"
    if degrees == 0 or (kind == "meridian" and abs(degrees) == 180):
        return size
    side = ("W" if degrees < 0 else "E") if kind == "meridian" else ("S" if degrees < 0 else "N")
    return f"{size} {side}"


def scale_length(frame: Frame) -> float:
    """Return a round length of the scale bar [km], at most a quarter of the map's width."""
    quarter = (frame.east - frame.west) / 4000.0
    step = nice_step(quarter)
    return step if step <= quarter * 1.001 else nice_step(quarter / 2.001)


def draw_outlines(axes: Axes, frame: Frame, own: str | Path | None) -> None:
    """Draw coasts strong, borders thinner, counties thinnest."""
    from matplotlib.collections import LineCollection

    widths, colours = (0.9, 0.7, 0.35), ("#3a3a3a", "#5a5a5a", "#9a9a9a")
    lines = sorted(outline_lines(frame, own), key=lambda pair: -pair[0])
    axes.add_collection(
        LineCollection(
            [xy / 1000.0 for _, xy in lines],
            linewidths=[widths[rank] for rank, _ in lines],
            colors=[colours[rank] for rank, _ in lines],
            zorder=3,
        ),
        autolim=False,
    )


def draw_graticule(axes: Axes, frame: Frame) -> None:
    """Draw meridians and parallels with their degrees at the lower and the left edge."""
    bottom: list[tuple[float, str]] = []
    left: list[tuple[float, str]] = []
    for kind, degrees, xy in graticule_lines(frame):
        axes.plot(*(xy.T / 1000.0), color="#7a7a7a", linewidth=0.4, linestyle=(0, (1, 3)), zorder=2.5)
        across, edge = (1, frame.south) if kind == "meridian" else (0, frame.west)
        order = np.argsort(xy[:, across])
        position = float(np.interp(edge, xy[order, across], xy[order, 1 - across])) / 1000.0
        (bottom if kind == "meridian" else left).append((position, degree_label(kind, degrees)))
    axes.set_xticks([p for p, _ in bottom], [t for _, t in bottom])
    axes.set_yticks([p for p, _ in left], [t for _, t in left], rotation=90, va="center")
    axes.tick_params(length=2, labelsize=7, colors=_INK, pad=2)


def draw_scale_and_north(axes: Axes, frame: Frame) -> None:
    """Draw scale bar and north arrow on an axes of its own, in the width of the map."""
    width = (frame.east - frame.west) / 1000.0
    length = scale_length(frame)
    axes.set_xlim(0.0, width)
    axes.set_ylim(0.0, 1.0)
    axes.axis("off")
    start = width * 0.01
    for k, face in enumerate((_INK, "white")):
        left = start + k * length / 2
        axes.barh(0.62, length / 2, left=left, height=0.16, color=face, edgecolor=_INK, linewidth=0.7)
    for k in range(3):
        text = f"{length * k / 2:g}" + (" km" if k == 2 else "")
        axes.text(
            start + k * length / 2, 0.46, text, ha="center" if k else "left", va="top", fontsize=7, color=_INK
        )
    angle = _north_angle(frame)
    lean = 0.012 * np.sin(angle)
    axes.annotate(
        "",
        xy=(0.985 + lean, 1.25),
        xytext=(0.985 - lean, 0.1),
        xycoords="axes fraction",
        arrowprops={"arrowstyle": "-|>", "color": _INK, "linewidth": 1.1, "shrinkA": 0, "shrinkB": 0},
        annotation_clip=False,
    )
    axes.text(0.965, 0.5, "N", transform=axes.transAxes, ha="right", va="center", fontsize=8, color=_INK)


def _north_angle(frame: Frame) -> float:
    x, y = np.array([(frame.west + frame.east) / 2]), np.array([(frame.south + frame.north) / 2])
    longitude, latitude = frame.plane.to_earth(x, y)
    there = frame.plane.to_plane(longitude, np.minimum(latitude + 0.01, 90.0))
    return float(np.arctan2(there[0] - x, there[1] - y)[0])
