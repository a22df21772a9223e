"""Pictures as bytes and files: the same picture gives the same bytes, without a date or a program's name."""

from __future__ import annotations

import base64
import contextlib
import io
import os
import re
import sys
import warnings
from collections.abc import Iterator, Sequence
from contextvars import ContextVar
from typing import TYPE_CHECKING, Any

import numpy as np

from phenofit.errors import PhenofitWarning
from phenofit.files.cells import some
from phenofit.files.safe_files import writing

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_COLOURS = 128
_GLYPH = re.compile(r"Glyph (\d+) ")
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
    """Return a figure as PNG, SVG, PDF or bare pixels (``"rgba"``); ``dpi="figure"`` keeps the figure's own resolution."""
    import matplotlib as mpl

    stream = io.BytesIO()
    with laid_out(figure, dpi), mpl.rc_context(_SETTINGS):
        figure.savefig(stream, format=form, dpi=dpi, metadata=_UNDATED.get(form))
    return stream.getvalue()


def page_png(figure: Figure, *, dpi: float = 150) -> bytes:
    """Return a figure as a PNG of 128 colours, for a page: a third of the bytes."""
    from PIL import Image  # matplotlib needs it as well

    width, height = (int(inches * dpi) for inches in figure.get_size_inches())
    image = Image.frombytes("RGBA", (width, height), figure_bytes(figure, "rgba", dpi=dpi))
    stream = io.BytesIO()
    image.convert("RGB").quantize(_COLOURS, dither=Image.Dither.NONE).save(stream, format="png")
    return stream.getvalue()


@contextlib.contextmanager
def laid_out(figure: Figure, dpi: float | str = 200) -> Iterator[None]:
    """Compute the layout of a figure once for all files saved inside; otherwise each file would draw it again."""
    import matplotlib as mpl

    engine = figure.get_layout_engine()
    # A canvas may warn only when it is first drawn, so the warnings of all drawings are collected together.
    with warnings.catch_warnings(record=True) as raised:
        warnings.simplefilter("always")
        if engine is not None:
            with mpl.rc_context(_SETTINGS):
                own = figure.dpi
                figure.dpi = own if isinstance(dpi, str) else dpi  # Widths of letters are rounded to pixels.
                engine.execute(figure)
                figure.dpi = own
                figure.set_layout_engine(None)
        try:
            yield
        finally:
            figure.set_layout_engine(engine)
    _pass_on(raised)


def _pass_on(raised: Sequence[warnings.WarningMessage]) -> None:
    """Give the warnings of a drawing again; those on letters that the font lacks as one."""
    lacking: list[str] = []
    given: list[str] = []
    for one in raised:
        code = _GLYPH.match(str(one.message))
        if code is not None:
            lacking.append(f"'{chr(int(code[1]))}'")
        elif str(one.message) not in given:
            given.append(str(one.message))
            warnings.warn_explicit(one.message, one.category, one.filename, one.lineno)
    letters = some(list(dict.fromkeys(lacking)), 8)
    text = f"the font of the figures lacks {letters}: each is drawn as a box."
    if lacking and text not in given:
        warnings.warn(text, PhenofitWarning, stacklevel=4)


_APART: ContextVar[bool] = ContextVar("apart", default=False)


def new_figure(width: float, height: float, **settings: Any) -> Figure:
    """Return an empty figure of that size [inch]; one of pyplot where that is loaded, so that a notebook shows it."""
    pyplot = None if _APART.get() else sys.modules.get("matplotlib.pyplot")
    if pyplot is not None:
        return pyplot.figure(figsize=(width, height), **settings)  # type: ignore[no-any-return]
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), **settings)


@contextlib.contextmanager
def apart_from_pyplot() -> Iterator[None]:
    """Make figures that no notebook shows by itself, for a report that draws many."""
    token = _APART.set(True)
    try:
        yield
    finally:
        _APART.reset(token)


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
