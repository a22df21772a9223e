"""The joint region of two parameters, mostly base and requirement: the pairs that the data do not exclude."""

from __future__ import annotations

import html
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import ModelError
from phenofit.flight.fitted_likelihood import data_of_fit
from phenofit.flight.inference.joint_search import Search, ends_of
from phenofit.flight.intervals.reference_distribution import cut_of_ratio, degrees_of_error
from phenofit.flight.result import FlightFit

if TYPE_CHECKING:
    from phenofit.records import Records

Floats = npt.NDArray[np.float64]

_SLICES = 9


@dataclass(frozen=True)
class JointRegion:
    """Pairs of two parameters that the profile likelihood does not exclude.

    Attributes
    ----------
    names : tuple of str
        The two parameters.
    units : tuple of str
        Their units.
    level : float
        Confidence level of the pair.
    cut : float
        Twice the drop of the log-likelihood at the outline.
    estimate : tuple of float
        The pair of the highest likelihood, in `units`.
    outline : array, shape (points, 2)
        Closed outline, counter-clockwise, in `units`. Along an open side it runs at the end of the search range.
    open_sides : tuple of str
        Sides on which these data leave the pair open, in words.
    """

    names: tuple[str, str]
    units: tuple[str, str]
    level: float
    cut: float
    estimate: tuple[float, float]
    outline: Floats
    open_sides: tuple[str, ...]

    def contains(self, first: npt.ArrayLike, second: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """Return whether pairs lie inside the outline.

        Parameters
        ----------
        first, second : array_like
            Values of the two parameters, of one shape [their units].

        Returns
        -------
        array of bool
        """
        x, y = np.broadcast_arrays(np.asarray(first, np.float64), np.asarray(second, np.float64))
        inside = np.zeros(x.shape, dtype=bool)
        ends = np.roll(self.outline, -1, axis=0)
        for (ax, ay), (bx, by) in zip(self.outline, ends, strict=True):
            if ay == by:
                continue
            crossed = (ay > y) != (by > y)
            inside ^= crossed & (x < ax + (y - ay) / (by - ay) * (bx - ax))
        return inside

    def table(self) -> pd.DataFrame:
        """Return the outline as a table of the two parameters; units are in ``attrs["units"]``."""
        table = pd.DataFrame(self.outline, columns=list(self.names))
        table.attrs["units"] = dict(zip(self.names, self.units, strict=True))
        return table

    def summary(self) -> str:
        """Say in words how far the region reaches."""
        parts = [
            f"{name.replace('_', ', flight ')} {low:.4g} to {high:.4g} {unit}"
            for name, unit, low, high in zip(
                self.names, self.units, self.outline.min(axis=0), self.outline.max(axis=0), strict=True
            )
        ]
        text = f"{100 * self.level:g} % region of both together: {'; '.join(parts)}."
        return " ".join([text, *(f"Open: the {side}." for side in self.open_sides)])

    __str__ = __repr__ = summary

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(self.summary())}</p>"


def joint_region(
    fit: FlightFit,
    records: Records,
    *,
    names: tuple[str, str] = ("base", "requirement_1"),
    level: float | None = None,
    progress: Callable[[str], None] | None = None,
) -> JointRegion:
    """Return the joint likelihood region of two parameters of a fit.

    Parameters
    ----------
    fit : FlightFit
        The fit.
    records : Records
        What it was fitted to.
    names : tuple of str
        Two fitted parameters; the region is cut into slices along the first.
    level : float, optional
        Confidence level of the pair; that of the fit by default.
    progress : callable, optional
        Gets a sentence at each step.

    Returns
    -------
    JointRegion

    Raises
    ------
    ModelError
        If a parameter was held, is at a bound, or is not in the fit.
    DataError
        If the records are not those of the fit.

    Notes
    -----
    On the outline the log-likelihood, all other parameters refitted, has dropped by half the cut of two parameters: the
    quantile of chi-squared with two degrees of freedom, or, where the intervals of the fit have v degrees of freedom
    for the error, ``(v + 2) log(1 + 2 F / v)`` with the quantile F of 2 and v degrees, which tends to it. The
    region is wider than the two intervals: an interval covers one parameter, the region covers both at once.

    The profile of the first parameter is the ridge of the region. At nine points along it the second is moved away on
    either side until the cut is reached; between the points, the width divided by the root of (cut minus deviance
    on the ridge) is interpolated.
    """
    search = Search.of(fit, data_of_fit(fit, records), names)
    wanted = fit.settings.level if level is None else level
    if not 0.5 <= wanted < 1.0:
        raise ModelError(f"a confidence level lies between 0.5 and 1, not at {wanted}.")
    cut = cut_of_ratio(
        wanted, 2, min(degrees_of_error(name, fit.settings, fit.data, fit.parameters) for name in names)
    )
    say = progress or (lambda _text: None)
    say(f"ridge along {names[0]}")
    ridge = search.ridge(cut)
    low, high = ends_of(ridge, cut)
    first, last = (
        bound if end is None else end for end, bound in ((low, ridge.values[0]), (high, ridge.values[-1]))
    )
    # Slices are closer towards the ends, where the outline is most curved.
    angle = np.linspace(0.0, math.pi, _SLICES + 2)
    points = 0.5 * (first + last) - 0.5 * (last - first) * np.cos(angle)
    keep = [(k > 0 or low is None) and (k < _SLICES + 1 or high is None) for k in range(_SLICES + 2)]
    slices = []
    for k, point in enumerate(points[keep], start=1):
        say(f"slice {k} of {int(np.sum(keep))}")
        slices.append(search.slice(ridge, float(point), cut))
    outline, units, open_sides = search.region(
        ridge, points[keep], slices, (first, last), (low is None, high is None), cut
    )
    estimate = (fit.parameters[names[0]], fit.parameters[names[1]])
    return JointRegion(names, units, wanted, cut, estimate, outline, open_sides)
