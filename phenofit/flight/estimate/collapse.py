"""Flights that a search has given up: no moths are left for them, or they lie within another flight."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from phenofit.flight.estimate.maximise import Box
from phenofit.flight.likelihood.log_likelihood import Layout

SMALLEST_SHARE = 0.01
"""Share of a season's moths below which a flight has collapsed."""

CLOSEST = 0.5
"""Distance between two flights, in spreads of the wider one, below which the smaller one has collapsed."""


@dataclass(frozen=True)
class Collapsed:
    """A flight that the records do not distinguish from none or from another."""

    flight: int
    into: int | None  # The flight within which it lies; None where it has no moths.
    share: float  # Of a season's moths.

    def words(self) -> str:
        """Say what became of the flight."""
        if self.into is None:
            return f"Flight {self.flight} has collapsed: its share of the moths is {100 * self.share:.1g} %."
        return (
            f"Flight {self.flight} has collapsed into flight {self.into}: half of the two is less than half a spread "
            "apart."
        )


def collapsed_flights(
    requirements: np.ndarray, spreads: np.ndarray, sizes: np.ndarray, size_sds: np.ndarray
) -> tuple[Collapsed, ...]:
    """Return the flights that have collapsed, from their parameters; sizes are logarithms relative to flight 1."""
    mean = np.exp(sizes + 0.5 * np.minimum(size_sds, 2.0) ** 2)
    shares = mean / mean.sum()
    found = [Collapsed(g + 1, None, float(s)) for g, s in enumerate(shares) if s < SMALLEST_SHARE]
    left = [g for g in range(len(shares)) if shares[g] >= SMALLEST_SHARE]
    for a, b in pairwise(left):
        if requirements[b] - requirements[a] < CLOSEST * max(spreads[a], spreads[b]):
            small, large = (a, b) if shares[a] < shares[b] else (b, a)
            if small + 1 not in [c.flight for c in found]:
                found.append(Collapsed(small + 1, large + 1, float(shares[small])))
    return tuple(sorted(found, key=lambda c: c.flight))


def collapsed_in(theta: np.ndarray, layout: Layout) -> tuple[Collapsed, ...]:
    """Return the flights of a vector that have collapsed."""
    at = layout.places
    return collapsed_flights(
        theta[at.requirement : at.spread],
        np.exp(theta[at.spread : at.concentration]),
        np.concatenate([[0.0], theta[at.size : at.size_sd]]),
        np.concatenate([[0.0], np.exp(theta[at.size_sd : at.stray])]),
    )


def without_collapsed(box: Box, theta: np.ndarray, layout: Layout) -> Box:
    """Return the box with the parameters of collapsed flights held: nothing in the records fixes them."""
    at = layout.places
    for c in collapsed_in(theta, layout):
        g = c.flight - 1
        places = [at.requirement + g, at.spread + g]
        if g:
            places += [at.size + g - 1, at.size_sd + g - 1]
        for place in places:
            if box.free[place]:
                box = box.hold(place, in_days=True)
    return box
