"""The map as one piece of HTML: choose what it shows, point at a site or move to it with the keys.

The piece holds its styles, script and pictures, loads nothing from the network and works without the script as
a plain picture with a table.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from phenofit.files import write_text
from phenofit.files.pictures import data_uri, pixel_bytes
from phenofit.files.templates import render_template
from phenofit.maps.drawing.captions import map_caption, map_title
from phenofit.maps.drawing.map_frame import (
    Frame,
    degree_label,
    frame_of,
    graticule_lines,
    outline_lines,
    scale_length,
)
from phenofit.maps.drawing.raster import cell_colours, hatch_mask
from phenofit.maps.drawing.scales import QUANTITIES, Quantity, early_late, limits, ramp, season_classes

_WIDTH = 720.0
_CHOICES = {
    "bias": "early or late",
    "rmse": "size of the error",
    "coverage": "does the interval hold",
    "next trap": "best location for another trap",
}


def interactive_map(
    dataset: xr.Dataset, *, outlines: str | Path | None = None, identifier: str = "error-map"
) -> str:
    """Return a map as a piece of HTML for a page."""
    return render_template("phenofit.maps", "map.html", **_context(dataset, outlines, identifier))


def write_interactive_page(
    dataset: xr.Dataset, path: str | Path, *, outlines: str | Path | None = None
) -> None:
    """Write the interactive map as a page of its own."""
    context = _context(dataset, outlines, "error-map")
    write_text(path, render_template("phenofit.maps", "page.html", **context))


def _context(dataset: xr.Dataset, outlines: str | Path | None, identifier: str) -> dict[str, Any]:
    frame = frame_of(dataset)
    picture = _Picture(frame)
    views = [_view(dataset, q) for q in QUANTITIES.values() if _can_show(dataset, q)]
    half = float(dataset.attrs["cell_m"]) / 2.0
    x, y = dataset["x"].to_numpy(), dataset["y"].to_numpy()
    left, top = picture.point(float(x.min()) - half, float(y.max()) + half)
    right, bottom = picture.point(float(x.max()) + half, float(y.min()) - half)
    sites = _sites(dataset, picture, views)
    return {
        "id": identifier,
        "title": map_title(dataset),
        "width": _WIDTH,
        "height": round(picture.height, 1),
        "image": {"x": left, "y": top, "width": round(right - left, 2), "height": round(bottom - top, 2)},
        "views": views,
        "sites": sites,
        "outlines": [
            picture.path([xy for rank, xy in outline_lines(frame, outlines) if rank == k]) for k in range(3)
        ],
        "graticule": _graticule(frame, picture),
        "scale_km": f"{scale_length(frame):g}",
        "scale_width": round(scale_length(frame) * 1000.0 * picture.factor, 2),
        "caption": map_caption(dataset, outlines),
        # '<' must not end the script element that holds the numbers.
        "data": json.dumps({"views": [_for_script(v) for v in views]}, allow_nan=False).replace(
            "<", "\\u003c"
        ),
    }


class _Picture:
    """From metres on the plane to units of the picture."""

    def __init__(self, frame: Frame) -> None:
        self.frame = frame
        self.factor = _WIDTH / (frame.east - frame.west)
        self.height = (frame.north - frame.south) * self.factor

    def point(self, x: float, y: float) -> tuple[float, float]:
        return round((x - self.frame.west) * self.factor, 2), round((self.frame.north - y) * self.factor, 2)

    def path(self, lines: list[np.ndarray]) -> str:
        parts = []
        for line in lines:
            points = [self.point(x, y) for x, y in line]
            # Points far outside would only make the file larger; the picture ends at its edge.
            kept = [
                p for k, p in enumerate(points)
                if any(self._near(q) for q in points[max(0, k - 1) : k + 2])
            ]  # fmt: skip
            if len(kept) > 1:
                parts.append("M" + "L".join(f"{px:.1f} {py:.1f}" for px, py in kept))
        return "".join(parts)

    def _near(self, point: tuple[float, float]) -> bool:
        return -_WIDTH < point[0] < 2 * _WIDTH and -self.height < point[1] < 2 * self.height


def _can_show(dataset: xr.Dataset, shown: Quantity) -> bool:
    names = [name for name in (shown.field, shown.site) if name]
    return any(bool(np.isfinite(dataset[name].to_numpy()).any()) for name in names)


def _view(dataset: xr.Dataset, shown: Quantity) -> dict[str, Any]:
    low, high, ticks = limits(dataset, shown)
    pixels, mask = cell_colours(dataset, shown, low, high), hatch_mask(dataset, shown)
    white = None
    if mask is not None:
        white = np.where(mask[..., None], np.uint8(255), np.uint8(0)).repeat(4, axis=-1)
    values = dataset[shown.site].to_numpy() if shown.site else np.full(dataset.sizes["site"], np.nan)
    steps = np.linspace(0.0, 1.0, len(shown.colours))
    return {
        "name": shown.name,
        "key": shown.name.replace(" ", "-"),
        "choice": _CHOICES[shown.name],
        "label": shown.label,
        "image": None if pixels is None else data_uri(pixel_bytes(pixels)),
        "mask": None if white is None else data_uri(pixel_bytes(white)),
        "stops": [
            {"offset": f"{100 * s:.1f}%", "colour": c} for s, c in zip(steps, shown.colours, strict=True)
        ],
        "ticks": [
            {"share": round((float(t) - low) / (high - low), 4), "text": shown.tick(float(round(t, 6)))}
            for t in ticks
        ],
        "fills": [
            ramp(shown.colours, (float(v) - low) / (high - low)) if np.isfinite(v) else "#ffffff"
            for v in values
        ],
        "best": _best(dataset) if shown.name == "next trap" else None,
    }


def _for_script(view: dict[str, Any]) -> dict[str, Any]:
    return {key: view[key] for key in ("name", "key", "label", "fills", "ticks", "stops")}


def _best(dataset: xr.Dataset) -> dict[str, Any]:
    picture = _Picture(frame_of(dataset))
    gain = dataset["next_trap_gain"].to_numpy()
    row, column = np.unravel_index(int(np.nanargmax(gain)), gain.shape)
    x, y = picture.point(float(dataset["x"][column]), float(dataset["y"][row]))
    fall = 100 * float(gain[row, column]) / float(dataset.attrs["mean_kriging_variance_days2"])
    latitude, longitude = float(dataset["latitude"][row, column]), float(dataset["longitude"][row, column])
    where = f"{degree_label('parallel', round(latitude, 2))}, {degree_label('meridian', round(longitude, 2))}"
    return {
        "x": x,
        "y": y,
        "text": f"one more trap at {where}: the map's mean error variance falls by {fall:.0f} %",
    }


def _sites(dataset: xr.Dataset, picture: _Picture, views: list[dict[str, Any]]) -> list[dict[str, Any]]:
    numbers = {
        str(name): dataset[name].to_numpy() for name in dataset.data_vars if str(name).startswith("site_")
    }
    classes = season_classes(numbers["site_seasons"])
    # From west to east, so that the arrow keys go through the sites from left to right.
    order = np.lexsort((-numbers["site_y"], numbers["site_x"]))
    result = []
    for k in order:
        x, y = picture.point(float(numbers["site_x"][k]), float(numbers["site_y"][k]))
        result.append(
            {
                "index": int(k),
                "name": str(dataset["site"].to_numpy()[k]),
                "x": x,
                "y": y,
                "shape": ("down", "square", "circle", "large")[int(classes[k])],
                "fill": views[0]["fills"][int(k)] if views else "#ffffff",
                "text": _site_text({name: values[k] for name, values in numbers.items()}),
                **_site_cells({name: values[k] for name, values in numbers.items()}),
            }
        )
    return result


def _site_cells(row: dict[str, Any]) -> dict[str, str]:
    coverage = float(row["site_coverage80"])
    interval = "" if not np.isfinite(row["site_low"]) else (
        f"{early_late(float(row['site_low']), 1)} to {early_late(float(row['site_high']), 1)}"
    )  # fmt: skip
    return {
        "error": early_late(float(row["site_shrunk_error"]), 1),
        "interval": interval,
        "rmse": f"{float(row['site_rmse']):.1f}",
        "coverage": f"{100 * coverage:.0f} %" if np.isfinite(coverage) else "",
        "seasons": f"{int(row['site_seasons'])}",
    }


def _site_text(row: dict[str, Any]) -> str:
    cells = _site_cells(row)
    seasons, first, last = (int(row[f"site_{c}"]) for c in ("seasons", "first_year", "last_year"))
    span = f"{first} to {last}" if last > first else f"{first}"
    when = f"{seasons} seasons, {span}" if seasons > 1 else f"one season only, {span}"
    parts = [f"mean error {cells['error']} [days]"]
    if cells["interval"]:
        parts[0] += f", 95 % interval {cells['interval']}"
    parts.append(f"root mean square error {cells['rmse']} days")
    if cells["coverage"]:
        parts.append(f"80 % interval held in {cells['coverage']} of seasons")
    return "; ".join([*parts, when]) + "."


def _graticule(frame: Frame, picture: _Picture) -> list[dict[str, Any]]:
    lines = []
    for kind, degrees, xy in graticule_lines(frame):
        across, edge = (1, frame.south) if kind == "meridian" else (0, frame.west)
        order = np.argsort(xy[:, across])
        at = float(np.interp(edge, xy[order, across], xy[order, 1 - across]))
        x, y = picture.point(at, frame.south) if kind == "meridian" else picture.point(frame.west, at)
        inside = -0.1 <= x <= _WIDTH + 0.1 and -0.1 <= y <= picture.height + 0.1
        label = degree_label(kind, degrees) if inside else ""
        lines.append({"kind": kind, "path": picture.path([xy]), "label": label, "x": x, "y": y})
    return lines
