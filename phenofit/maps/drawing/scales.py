"""Colours, limits and words of the maps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import xarray as xr

# Blue to brown through a warm white: distinct with any common colour blindness. Both ends are dark, so that
# in grey the size shows; the contours then show the sign (early dashed, late solid).
_DIVERGING = ("#0f3d5e", "#3f7ea6", "#a9c9d9", "#f6f3ec", "#e8b98a", "#b8692e", "#6b2f0c")
_RMSE = ("#f7f1e3", "#d9b8c4", "#a5718f", "#5f3560", "#2b1638")
_SHARE = ("#4a1f3d", "#96606f", "#cfae9a", "#e9e3cf", "#f8f6ec")
_GAIN = ("#f5f3e6", "#c3d3ad", "#7fa77f", "#3a6f5c", "#143c3a")


@dataclass(frozen=True)
class Quantity:
    """What one map shows."""

    name: str  # How it is asked for.
    field: str | None  # Variable on the cells, ``None`` where only sites are shown.
    site: str | None  # Variable on the sites.
    heading: str  # Words in the title.
    label: str  # Words beside the colour scale, with the unit.
    colours: tuple[str, ...]  # Colours from the low to the high end.
    centred: bool  # Whether the scale is centred on zero.
    tick: Callable[[float], str]  # From a value to the words at the scale.
    from_zero: bool = True  # Whether a scale that is not centred begins at zero.


def early_late(value: float, digits: int | None = None) -> str:
    """Return an error in words: ``"2 late"``, ``"1.5 early"``, ``"0"``."""
    size = f"{abs(value):g}" if digits is None else f"{abs(value):.{digits}f}"
    if float(size) == 0.0:
        return "0"
    return f"{size} {'late' if value > 0 else 'early'}"


def _percent(value: float) -> str:
    return f"{100 * value:.0f} %"


def _number(value: float) -> str:
    return f"{value:g}"


QUANTITIES = {
    q.name: q
    for q in (
        Quantity(
            name="bias", field="mean_error", site="site_shrunk_error", heading="mean forecast error",
            label="mean forecast error [days]", colours=_DIVERGING, centred=True, tick=early_late,
        ),
        Quantity(
            name="rmse", field="expected_rmse", site="site_rmse", heading="size of the forecast error",
            label="root mean square error of a season's forecast [days]", colours=_RMSE, centred=False,
            tick=_number,
        ),
        Quantity(
            name="coverage", field=None, site="site_coverage80", heading="does the 80 % interval hold",
            label="seasons whose event fell in the 80 % interval [share]", colours=_SHARE, centred=False,
            tick=_percent,
        ),
        Quantity(
            name="next trap", field="next_trap_gain", site=None, heading="best location for another trap",
            label="fall of the map's mean error variance with one more trap [days²]", colours=_GAIN,
            centred=False, tick=_number,
        ),
    )
}  # fmt: skip


def limits(dataset: xr.Dataset, quantity: Quantity) -> tuple[float, float, np.ndarray]:
    """Return the ends of the scale and its ticks."""
    if quantity.name == "coverage":
        return 0.0, 1.0, np.array([0.0, 0.2, 0.4, 0.6, 0.8, 1.0])
    parts = [dataset[name].to_numpy().ravel() for name in (quantity.field, quantity.site) if name]
    values = np.concatenate(parts)
    values = values[np.isfinite(values)]
    if not len(values):
        values = np.array([0.0])
    if quantity.centred:
        size = max(float(np.abs(values).max()), 0.5)
        step = nice_step(size / 4.0)
        high = float(np.ceil(size / step) * step)
        return -high, high, np.arange(-high, high + step / 2, step)
    if not quantity.from_zero:
        low, high = float(values.min()), float(values.max())
        step = max(nice_step(max(high - low, 1e-9) / 5.0), 1.0)
        low, high = float(np.floor(low / step) * step), float(np.ceil(high / step) * step)
        high = high if high > low else low + step
        return low, high, np.arange(low, high + step / 2, step)
    step = nice_step(max(float(values.max()), 1e-9) / 4.0)
    high = float(np.ceil(values.max() / step) * step) or 1.0
    return 0.0, high, np.arange(0.0, high + step / 2, step)


def season_classes(seasons: np.ndarray) -> np.ndarray:
    """Return the class of symbol of each number of seasons: 0 (one), 1 (2-3), 2 (4-6), 3 (7 or more)."""
    return np.searchsorted(np.array([2, 4, 7]), np.asarray(seasons), side="right")


def nice_step(raw: float) -> float:
    """Return 1, 2, 2.5 or 5 times a power of ten, at least `raw`."""
    power = 10.0 ** np.floor(np.log10(raw))
    return float(next(step for step in (1.0, 2.0, 2.5, 5.0, 10.0) if step * power >= raw * 0.999) * power)


def ramp(colours: tuple[str, ...], share: float) -> str:
    """Return the colour at a share (0 to 1) of the way along a row of colours."""
    position = min(max(share, 0.0), 1.0) * (len(colours) - 1)
    first = min(int(position), len(colours) - 2)
    return mix(colours[first], colours[first + 1], position - first)


def mix(first: str, second: str, share: float) -> str:
    """Return the colour `share` of the way from the first to the second (``#rrggbb``)."""
    pairs = [(int(first[k : k + 2], 16), int(second[k : k + 2], 16)) for k in (1, 3, 5)]
    return "#" + "".join(f"{int(a + (b - a) * share + 0.5):02x}" for a, b in pairs)
