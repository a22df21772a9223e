"""The log-likelihood of a whole data set as a function of one parameter vector, with its gradient.

The vector has the layout of :mod:`phenofit.flight.counts`. Positive parameters stand as logarithms, so that any
vector is allowed; a search box keeps them where they mean something.
"""

from __future__ import annotations

import math
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise

import numpy as np
from numpy.polynomial.hermite_e import hermegauss

from phenofit.flight.counts import gradient_size
from phenofit.flight.curves import curve_code
from phenofit.flight.data import FlightData
from phenofit.flight.integrate import group_likelihood
from phenofit.heat.settings import HeatSettings

__all__ = ["Layout", "Likelihood", "hermite"]


# A node whose nominal share is below exp(-36) of the largest moves no digit, tails wider than normal included.
_NO_WEIGHT = 36.0
_THREADS = max(1, min(4, os.cpu_count() or 1))


@dataclass(frozen=True)
class Layout:
    """Places of the parameters in the vector.

    Parameters
    ----------
    flights : int
        Number of flights.
    covariates : tuple of str
        Names of the covariates of the log requirement.
    """

    flights: int
    covariates: tuple[str, ...] = ()

    @property
    def size(self) -> int:
        """Length of the vector."""
        return gradient_size(self.flights, len(self.covariates))

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the entries; those that stand as logarithms begin with ``log``."""
        k = self.flights
        return (
            "base",
            *(f"requirement_{g + 1}" for g in range(k)),
            *(f"log spread_{g + 1}" for g in range(k)),
            "log concentration",
            "log group_sd",
            "log shift_sd",
            *(f"size_{g + 1}" for g in range(1, k)),
            *(f"log size_sd_{g + 1}" for g in range(1, k)),
            "logit stray",
            *(f"effect {c}" for c in self.covariates),
        )

    def index(self, name: str) -> int:
        """Return the place of a name."""
        return self.names.index(name)


def hermite(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Return Gauss-Hermite nodes and the logs of their weights times exp(t^2 / 2).

    Parameters
    ----------
    count : int
        Number of nodes.

    Returns
    -------
    tuple of array
        Nodes for the weight exp(-t^2 / 2); log weights to be added to a log integrand.
    """
    nodes, weights = hermegauss(count)
    return nodes, np.log(weights) + 0.5 * nodes**2


@cache
def product_grid(*counts: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the Gauss-Hermite product grid of several dimensions, corners of no weight left away.

    Parameters
    ----------
    *counts : int
        Nodes in each dimension.

    Returns
    -------
    tuple of array
        Nodes, shape (nodes, dimensions), and log weights times exp(t^2 / 2).
    """
    rules = [hermite(count) for count in counts]
    places = np.stack(np.meshgrid(*[r[0] for r in rules], indexing="ij"), axis=-1).reshape(-1, len(counts))
    total = sum(np.meshgrid(*[r[1] for r in rules], indexing="ij"), np.zeros(())).ravel()
    share = total - 0.5 * (places**2).sum(axis=1)
    keep = share > share.max() - _NO_WEIGHT
    return np.ascontiguousarray(places[keep]), np.ascontiguousarray(total[keep])


@cache
def _pool() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(_THREADS, thread_name_prefix="phenofit-likelihood")


@dataclass
class Likelihood:
    """Log-likelihood and gradient of one data set under one model.

    Parameters
    ----------
    data : FlightData
        Counts and temperatures.
    heat : HeatSettings
        How a day's heat is computed.
    curve : str
        Flight curve.
    flights : int
        Flights a season.
    groups : array of int, shape (trap-years,)
        Number of the group (year or site) whose shift a trap-year shares; all -1 for no shared shift.
    own_shift : bool
        Whether each trap-year has a shift of its own.
    counts : {"dirichlet-multinomial", "multinomial"}
        Distribution of the counts given their total.
    covariates : array, shape (trap-years, c)
        Covariates of the log requirement, centred.
    covariate_names : tuple of str
        Their names.
    nodes : tuple of int
        Quadrature nodes for the trap-year's shift, for each of its flight sizes, and for the group's shift.
    """

    data: FlightData
    heat: HeatSettings
    curve: str
    flights: int
    groups: np.ndarray
    own_shift: bool = True
    counts: str = "dirichlet-multinomial"
    covariates: np.ndarray | None = None
    covariate_names: tuple[str, ...] = ()
    nodes: tuple[int, int, int] = (9, 7, 7)
    evaluations: int = field(default=0, init=False)

    def __post_init__(self) -> None:
        n = self.data.trap_years
        self.layout = Layout(self.flights, self.covariate_names)
        self._curve = curve_code(self.curve)
        self._x = np.zeros((n, 0)) if self.covariates is None else np.ascontiguousarray(self.covariates)
        shared = self.groups >= 0
        self.has_group = bool(shared.any())
        number = self.groups if self.has_group else np.arange(n)
        self.group_labels, inverse = np.unique(number, return_inverse=True)
        order = np.argsort(inverse, kind="stable")
        counts = np.bincount(inverse)
        self._members = order.astype(np.int64)
        self._group_of = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        self._totals = self.data.totals
        self._heat_base: float | None = None
        parts = min(_THREADS, len(self.group_labels))
        at = np.searchsorted(self._group_of, np.linspace(0, n, parts + 1))
        at[0], at[-1] = 0, len(self.group_labels)
        self._parts = [(int(a), int(b)) for a, b in pairwise(at) if b > a]
        self.forget()

    def forget(self) -> None:
        """Forget where the last search for modes ended."""
        self._modes = np.zeros((self.data.trap_years, self.flights))
        self._group_mode = np.zeros(len(self.group_labels))

    def heat_at(self, base: float) -> tuple[np.ndarray, np.ndarray]:
        """Return heat and slope at the edges, remembered while the base stays the same."""
        if self._heat_base != base:
            self._heat = self.data.heat_at_edges(base, self.heat)
            self._heat_base = base
        return self._heat

    def __call__(self, theta: np.ndarray, gradient: bool = True) -> tuple[float, np.ndarray]:
        """Return the log-likelihood and its gradient.

        Parameters
        ----------
        theta : array, shape (layout.size,)
            Parameter vector.
        gradient : bool
            Whether the gradient is wanted; without it zeros come back.

        Returns
        -------
        tuple of float and array
            Log-likelihood (the multinomial coefficients included), and its slopes in `theta`.
        """
        values, gradients, _ = self.by_group(theta, gradient)
        total = gradients.sum(axis=0)
        if not self.own_shift:
            total[2 * self.flights + 3] = 0.0
        return float(values.sum()) + self.data.constant, total

    def by_group(self, theta: np.ndarray, gradient: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return the log-likelihood of each group, its gradient, and the group shift's mean and SD."""
        k = self.flights
        self.evaluations += 1
        heat, slope = self.heat_at(float(theta[0]))
        requirement = np.ascontiguousarray(theta[1 : k + 1])
        spread = np.exp(theta[k + 1 : 2 * k + 1])
        concentration = math.exp(theta[2 * k + 1]) if self.counts == "dirichlet-multinomial" else 1e8
        scales = np.empty(k)
        scales[0] = math.exp(theta[2 * k + 3]) if self.own_shift else 0.0
        scales[1:] = np.exp(theta[3 * k + 3 : 4 * k + 2])
        stray = 1.0 / (1.0 + math.exp(-theta[4 * k + 2]))
        effects = theta[4 * k + 3 :]
        factors = np.exp(self._x @ effects) if effects.size else np.ones(len(self._x))
        d = self.data
        args = (
            self._curve,
            requirement,
            spread,
            concentration,
            stray,
            np.ascontiguousarray(theta[2 * k + 4 : 3 * k + 3]),
            factors,
            self._x,
            d.edge_of,
            heat,
            slope,
            d.edge_weight,
            d.catch_of,
            d.catch_left,
            d.catch_right,
            d.catch_count,
            d.catch_effort,
            d.catch_share,
            self._totals,
        )
        groups = len(self.group_labels)
        values = np.empty(groups)
        gradients = np.zeros((groups, self.layout.size))
        means = np.zeros((groups, 2))
        rest = (
            self._group_of,
            self._members,
            math.exp(theta[2 * k + 2]) if self.has_group else 0.0,
            scales,
            args,
            *product_grid(self.nodes[0], *[self.nodes[1]] * (k - 1)),
            *hermite(self.nodes[2]),
            self._group_mode,
            self._modes,
            gradient,
            values,
            gradients,
            means,
        )

        # Groups are independent and write to rows of their own, so threads change no digit.
        def fill(part: tuple[int, int]) -> None:
            group_likelihood(*part, *rest)

        list(_pool().map(fill, self._parts))
        return values, gradients, means
