"""Cells as coloured pixels."""

from __future__ import annotations

import numpy as np
import xarray as xr

from phenofit.maps.drawing.scales import Quantity


def cell_colours(dataset: xr.Dataset, shown: Quantity, low: float, high: float) -> np.ndarray | None:
    """Colour the cells of a map."""
    if shown.field is None:
        return None
    values = dataset[shown.field].to_numpy().astype(float)
    inside = np.isfinite(values)
    if not inside.any():
        return None
    stops = np.array([[int(c[k : k + 2], 16) for k in (1, 3, 5)] for c in shown.colours], float)
    position = np.clip((np.where(inside, values, low) - low) / (high - low), 0.0, 1.0) * (len(stops) - 1)
    rgb = np.stack([np.interp(position, np.arange(len(stops)), stops[:, k]) for k in range(3)], axis=-1)
    if shown.name != "next trap" and "information" in dataset:
        share = known_share(dataset)[..., None]
        rgb = share * rgb + (1.0 - share) * 255.0
    alpha = np.where(inside, 255.0, 0.0)[..., None]
    return np.asarray(np.round(np.concatenate([rgb, alpha], axis=-1)), dtype=np.uint8)


def known_share(dataset: xr.Dataset) -> np.ndarray:
    """Return the strength of colour of each cell: 1 where the traps explain all of the variance, 0.25 where none."""
    known = np.nan_to_num(dataset["information"].to_numpy().astype(float))
    return np.asarray(0.25 + 0.75 * np.sqrt(np.clip(known, 0.0, 1.0)))


def hatch_mask(dataset: xr.Dataset, shown: Quantity) -> np.ndarray | None:
    """Mark the cells of a map that no trap supports."""
    if shown.field is None or shown.name == "next trap" or "supported" not in dataset:
        return None
    mask = np.isfinite(dataset[shown.field].to_numpy()) & (dataset["supported"].to_numpy() == 0)
    return mask if mask.any() else None
