"""Pictures as bytes and files: the same picture gives the same bytes, without a date or a program's name."""

from __future__ import annotations

import base64
import io
import os
from typing import TYPE_CHECKING, Any

import numpy as np

from phenofit.files.safe_files import writing

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_SETTINGS: Any = {
    "svg.hashsalt": "phenofit",
    "svg.fonttype": "path",
    "font.family": "DejaVu Sans",
    "axes.unicode_minus": True,
}
_UNDATED: dict[str, dict[str, Any]] = {
    "png": {"Software": None},
    "svg": {"Date": None, "Creator": None},
    "pdf": {"CreationDate": None, "Creator": None, "Producer": None},
}


def figure_bytes(figure: Figure, form: str = "png", *, dpi: float | str = 200) -> bytes:
    """Return a figure as PNG, SVG or PDF; ``dpi="figure"`` keeps the figure's own resolution."""
    import matplotlib as mpl

    stream = io.BytesIO()
    with mpl.rc_context(_SETTINGS):
        figure.savefig(stream, format=form, dpi=dpi, metadata=_UNDATED.get(form))
    return stream.getvalue()


def save_figure(figure: Figure, path: str | os.PathLike[str], *, dpi: float | str = 200) -> None:
    """Write a figure as PNG, SVG or PDF by the ending of its name, whole or not at all."""
    with writing(path) as temporary:
        temporary.write_bytes(figure_bytes(figure, temporary.suffix.lower().removeprefix("."), dpi=dpi))


def pixel_bytes(pixels: np.ndarray) -> bytes:
    """Return pixels, shape (rows, columns, 4) of uint8, as PNG."""
    from matplotlib.image import imsave

    stream = io.BytesIO()
    imsave(stream, pixels, format="png", metadata=_UNDATED["png"])
    return stream.getvalue()


def data_uri(png: bytes) -> str:
    """Return a PNG as a ``data:`` address."""
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")
