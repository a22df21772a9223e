"""The map of forecast errors as a panel."""

from __future__ import annotations

from pathlib import Path

import xarray as xr
from matplotlib.axes import Axes

from phenofit.maps.drawing.error_maps import draw_error_map


def plot_error_map(
    surface: xr.Dataset, quantity: str = "bias", *, outlines: str | Path | None = None, ax: Axes | None = None
) -> Axes:
    """Draw a map of the held-out error.

    Parameters
    ----------
    surface : xarray.Dataset
        An error map, see :func:`phenofit.error_map`.
    quantity : str
        What is shown, such as ``"bias"``; the error for an unknown name lists those accepted.
    outlines : path, optional
        A file of outlines to draw in place of those that come with the package.
    ax : matplotlib.axes.Axes, optional
        Where to draw, with a scale of colours below and a legend inside. Without it, on a new figure, with scale of
        distance, north arrow and caption. The map has its own look and takes no style.

    Returns
    -------
    matplotlib.axes.Axes
        Distances in km; colours in the unit of the quantity, days for ``"bias"``.

    Raises
    ------
    ModelError
        If there is no such quantity.

    Examples
    --------
    ::

        surface = phenofit.error_map(phenofit.cross_validate(records, model))
        phenofit.plot_error_map(surface).figure.savefig("map.pdf")
    """
    figure = draw_error_map(surface, quantity, outlines=outlines, ax=ax)
    return figure.axes[0] if ax is None else ax
