"""How the estimates of a fit vary, in the coordinates of its search, and draws from that."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from phenofit.flight.likelihood.coordinates import Coordinates
from phenofit.flight.likelihood.parameters import Entry, plain_name
from phenofit.flight.likelihood.reference_heat import ReferenceHeat

Floats = npt.NDArray[np.float64]

_LARGEST_LOG = 20.0  # largest distance of a drawn logarithm from its estimate


@dataclass(frozen=True)
class Sampling:
    """Covariance of the estimates in the coordinates of the search."""

    names: tuple[str, ...]  # Parameters with the scale of the search: ``log spread_1``.
    covariance: Floats
    reference: ReferenceHeat | None  # None where the estimates vary on the heat scale (older fit files).
    direct: tuple[str, ...] = field(default=())  # Parameters that keep the heat scale.

    def coordinates(self, entries: tuple[Entry, ...], names: Mapping[str, int]) -> Coordinates:
        """Return the coordinates of the search; `names` are the places of the parameters."""
        return Coordinates(entries, self.reference, frozenset(names[n] for n in self.direct if n in names))

    def draw(
        self,
        theta: Floats,
        entries: tuple[Entry, ...],
        places: Mapping[str, int],
        count: int,
        seed: int,
        limits: Mapping[str, tuple[float, float]],
    ) -> Floats:
        """Return drawn vectors, shape (count, parameters), in the vector of the likelihood."""
        coordinates = self.coordinates(entries, places)
        z = np.tile(coordinates.searched(theta), (count, 1))
        if self.names:
            # A symmetric root changes little where the covariance does: a last digit moves no date.
            scale, vectors = np.linalg.eigh(self.covariance)
            root = (vectors * np.sqrt(np.maximum(scale, 0.0))) @ vectors.T
            drawn = np.random.default_rng(seed).standard_normal((count, len(self.names))) @ root
            for column, name in zip(drawn.T, self.names, strict=True):
                k = places[plain_name(name)]
                parameter = entries[k].parameter
                if parameter.is_sd:
                    # An SD that cannot be distinguished from zero is not known on the log scale: the deviate is taken
                    # to the natural scale and reflected at zero.
                    z[:, k] += np.log(np.maximum(np.abs(1.0 + column), 1e-9))
                elif parameter.transform == "log":
                    z[:, k] += np.clip(column, -_LARGEST_LOG, _LARGEST_LOG)
                else:
                    z[:, k] += column
        for name, (low, high) in limits.items():
            z[:, places[name]] = np.clip(z[:, places[name]], low, high)
        drawn_vectors = coordinates.vector(z)
        at = [k for k, entry in enumerate(entries) if entry.parameter.name == "requirement"]
        # On the heat scale alone a normal draw may lie below zero, or put flights in another order.
        drawn_vectors[:, at] = np.maximum.accumulate(np.maximum(drawn_vectors[:, at], 1.0), axis=1)
        return drawn_vectors

    def per_day(self, base: float, flight: int | None = None) -> float | None:
        """Return the mean heat per day [degC] at the reference moments of a flight or of all; None where it is not known."""
        if self.reference is None:
            return None
        rates = self.reference.at(base).per_day
        return float(rates.mean() if flight is None else rates[flight - 1])
