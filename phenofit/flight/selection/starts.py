"""Vectors to start a fit from: those of another fit, with another curve or one more flight."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from phenofit.flight.estimate.setup import vector_of
from phenofit.flight.likelihood.log_likelihood import Layout
from phenofit.flight.result import FlightFit

Floats = npt.NDArray[np.float64]

_SMALL = 0.1  # size of the flight that is tried in addition, as a share of the largest
_FAR = 3.0  # spreads by which one is tried before the first or after the last flight


def vector_of_fit(fit: FlightFit) -> Floats:
    """Return the parameter vector of a fit."""
    layout = Layout(fit.settings.flights, fit.effects)
    return vector_of(fit.parameters, layout, fit.settings.group, fit.settings.heat.upper)


def with_another_flight(fit: FlightFit) -> list[Floats]:
    """Return vectors with one more flight: before, between and after those of a fit, and each of them split."""
    flights = fit.settings.flights
    middle = np.array([fit.requirement(g) for g in range(1, flights + 1)])
    spread = np.array([fit.spread(g) for g in range(1, flights + 1)])
    size = np.array([0.0, *(fit.parameters[f"size_{g}"] for g in range(2, flights + 1))])
    small = float(np.log(_SMALL) + size.max())
    found = []
    edges = [
        middle[0] - _FAR * spread[0],
        *(0.5 * (middle[1:] + middle[:-1])),
        middle[-1] + _FAR * spread[-1],
    ]
    for place in edges:
        if place > 1.0:
            found.append(_with(fit, [*middle, place], [*spread, spread.mean()], [*size, small]))
    for g in range(flights):
        moved, narrow, halved = middle.copy(), spread.copy(), size.copy()
        moved[g] = max(middle[g] - spread[g], 1.0)
        narrow[g] = 0.7 * spread[g]
        halved[g] -= np.log(2.0)
        found.append(_with(fit, [*moved, middle[g] + spread[g]], [*narrow, narrow[g]], [*halved, halved[g]]))
    return found


def _with(fit: FlightFit, middle: list[float], spread: list[float], size: list[float]) -> Floats:
    order = np.argsort(middle, kind="stable")
    sizes = np.array(size)[order]
    named = {
        k: v
        for k, v in fit.parameters.items()
        if k.rpartition("_")[0] not in ("requirement", "spread", "size", "size_sd")
    }
    for place, k in enumerate(order, start=1):
        named[f"requirement_{place}"] = float(middle[k])
        named[f"spread_{place}"] = float(spread[k])
        if place > 1:
            named[f"size_{place}"] = float(sizes[place - 1] - sizes[0])
            named[f"size_sd_{place}"] = 0.5
    layout = Layout(len(middle), fit.effects)
    return vector_of(named, layout, fit.settings.group, fit.settings.heat.upper)
