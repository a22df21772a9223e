"""Cells as coloured pixels, and pixels as PNG, without a drawing library."""

from __future__ import annotations

import base64
import struct
import zlib

import numpy as np
import xarray as xr

from phenofit.maps.drawing.scales import Quantity

__all__ = ["cell_colours", "data_uri", "hatch_mask", "png_bytes"]


def cell_colours(dataset: xr.Dataset, shown: Quantity, low: float, high: float) -> np.ndarray | None:
    """Colour the cells of a map."""
    if shown.field is None:
        return None
    values = dataset[shown.field].to_numpy().astype(float)
    inside = np.isfinite(values)
    if not inside.any():
        return None
    stops = np.array([[int(c[k : k + 2], 16) for k in (1, 3, 5)] for c in shown.colours], float)
    place = np.clip((np.where(inside, values, low) - low) / (high - low), 0.0, 1.0) * (len(stops) - 1)
    rgb = np.stack([np.interp(place, np.arange(len(stops)), stops[:, k]) for k in range(3)], axis=-1)
    if shown.name != "next trap" and "information" in dataset:
        share = known_share(dataset)[..., None]
        rgb = share * rgb + (1.0 - share) * 255.0
    alpha = np.where(inside, 255.0, 0.0)[..., None]
    return np.asarray(np.round(np.concatenate([rgb, alpha], axis=-1)), dtype=np.uint8)


def known_share(dataset: xr.Dataset) -> np.ndarray:
    """Return the strength of colour of each cell: 1 where traps tell everything, 0.25 where nothing."""
    known = np.nan_to_num(dataset["information"].to_numpy().astype(float))
    return np.asarray(0.25 + 0.75 * np.sqrt(np.clip(known, 0.0, 1.0)))


def hatch_mask(dataset: xr.Dataset, shown: Quantity) -> np.ndarray | None:
    """Mark the cells of a map that no trap supports."""
    if shown.field is None or shown.name == "next trap" or "supported" not in dataset:
        return None
    mask = np.isfinite(dataset[shown.field].to_numpy()) & (dataset["supported"].to_numpy() == 0)
    return mask if mask.any() else None


def png_bytes(pixels: np.ndarray) -> bytes:
    """Write pixels as PNG.

    ISO/IEC 15948, Portable Network Graphics: signature, IHDR, IDAT and IEND chunks.
    """
    height, width = pixels.shape[:2]
    rows = np.concatenate([np.zeros((height, 1), np.uint8), pixels.reshape(height, -1)], axis=1)

    def chunk(kind: bytes, content: bytes) -> bytes:
        return (
            struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
        )

    header = struct.pack(">IIBBBBB", width, height, 8, 6, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(rows.tobytes(), 9))
        + chunk(b"IEND", b"")
    )


def data_uri(pixels: np.ndarray) -> str:
    """Return pixels as a PNG inside a ``data:`` address."""
    return "data:image/png;base64," + base64.b64encode(png_bytes(pixels)).decode("ascii")
