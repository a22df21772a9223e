"""The log-likelihood of a whole data set as a function of one parameter vector, with its gradient.

The vector has the places of :class:`phenofit.flight.kernels.arguments.Places`. Positive parameters are logarithms there,
so that any vector is allowed; a search box keeps them in a meaningful range.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from copy import copy
from dataclasses import dataclass, replace
from functools import cache, cached_property
from itertools import pairwise

import numpy as np

from phenofit.cluster import on_worker
from phenofit.flight.kernels.arguments import (
    COUNTS,
    PRESENCE,
    Edges,
    FlightCurves,
    Floats,
    Groups,
    ModelValues,
    Places,
    Quadrature,
    TrapRecords,
    places_of,
)
from phenofit.flight.kernels.crossed import (
    CrossedShifts,
    crossed_likelihood,
    trap_year_moments,
    trap_year_slopes,
)
from phenofit.flight.kernels.crossed_error import laplace_error
from phenofit.flight.kernels.curves import curve_code
from phenofit.flight.kernels.integrate import group_likelihood
from phenofit.flight.likelihood.coordinates import Coordinates
from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.flight.likelihood.parameters import INDEPENDENT, Entry, entries_of
from phenofit.flight.likelihood.quadrature import hermite, latent_grid
from phenofit.flight.likelihood.rearing_term import RearingTerm
from phenofit.flight.likelihood.reference_heat import ReferenceHeat
from phenofit.flight.likelihood.subset import subset
from phenofit.heat.compiled.threads import processors
from phenofit.heat.settings import HeatSettings

# Nodes placed at one shift of the group are used again for other shifts up to this distance, in SDs of the own
# shift for each node: seven nodes integrate the tilt exp(1.4 z) of a normal weight to 1e-5. With more nodes than
# the search takes the value asked for is an exact one, and nodes serve for a tilt of exp(0.5 z) only.
_REACH = 0.2
_EXACT_REACH = 0.5
_SEARCH_NODES = 9
SMALLEST_OWN = 0.5
_THREADS = min(4, processors())
# Trap-years times flights of a thread: with fewer, starting it takes longer than its work.
_LEAST_OF_THREAD = 25


@dataclass(frozen=True)
class Layout:
    """Places of the parameters in the vector."""

    flights: int  # Number of flights.
    covariates: tuple[str, ...] = ()  # Names of the covariates of the log requirement.

    @cached_property
    def places(self) -> Places:
        """Places of the parameters."""
        return places_of(self.flights, len(self.covariates))

    @property
    def size(self) -> int:
        """Length of the vector."""
        return self.places.end

    @cached_property
    def entries(self) -> tuple[Entry, ...]:
        """Parameter of each place."""
        return entries_of(self.flights, self.covariates)

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Names of the entries, with the scale of the search before: ``log spread_1``."""
        return tuple(entry.name for entry in self.entries)

    def index(self, name: str) -> int:
        """Return the place of a name."""
        return self.names.index(name)


@cache
def _pool() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(_THREADS, thread_name_prefix="phenofit-likelihood")


def _in_threads(fill: Callable[[tuple[int, int]], None], parts: list[tuple[int, int]]) -> None:
    """Fill all parts; they write to rows of their own, so threads change no digit."""
    if len(parts) == 1:
        fill(parts[0])
    else:
        list(_pool().map(fill, parts))


@dataclass
class Likelihood:
    """Log-likelihood and gradient of one data set under one model."""

    data: FlightData  # Counts and temperatures.
    heat: HeatSettings  # How a day's heat is computed.
    curve: str  # Flight curve.
    flights: int  # Flights a season.
    # Shape (trap-years,): Number of the group (year or site) whose shift a trap-year shares; all -1 for no
    # shared shift.
    groups: np.ndarray
    # Shape (trap-years,): Number of a second group, crossed with the first: the site where `groups` are
    # years.
    crossed: np.ndarray | None = None
    own_shift: bool = True  # Whether each trap-year has a shift of its own.
    # Distribution of the counts given their total; or presence only: whether a check found moths.
    counts: str = "dirichlet-multinomial"
    # Shape (trap-years, c): Covariates of the log requirement, centred.
    covariates: np.ndarray | None = None
    covariate_names: tuple[str, ...] = ()  # Their names.
    spread_follows: bool = False  # Whether they move the log spread as they do the log requirement.
    # Quadrature nodes for the trap-year's shift, for each of its flight sizes, and for the group's shift.
    nodes: tuple[int, int, int] = (9, 7, 7)
    # Rearing data, whose term of base and first requirement is added; no part of :meth:`by_group`.
    rearing: RearingTerm | None = None
    # Where a search looks: None for the vector of the likelihood itself.
    reference: ReferenceHeat | None = None

    def __post_init__(self) -> None:
        n = self.data.trap_years
        self._correction: tuple[np.ndarray, float, np.ndarray] | None = None
        self.layout = Layout(self.flights, self.covariate_names)
        self._sds = np.array([entry.parameter.is_sd for entry in self.layout.entries])
        self.coordinates = Coordinates(self.layout.entries, self.reference)
        self._curve = curve_code(self.curve)
        self._x = np.zeros((n, 0)) if self.covariates is None else np.ascontiguousarray(self.covariates)
        shared = self.groups >= 0
        self.has_group = bool(shared.any())
        number = self.groups if self.has_group else np.arange(n)
        self.group_labels, inverse = np.unique(number, return_inverse=True)
        order = np.argsort(inverse, kind="stable")
        counts = np.bincount(inverse)
        group_of = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        self._groups = Groups(group_of, order.astype(np.int64))
        self._records = self._named_records()
        self._heat_key: tuple[float, float] | None = None
        self.dims = self.flights + (self.counts == "presence")
        most = 1 if on_worker() else _THREADS
        self._share_out(max(1, min(most, n * self.dims // _LEAST_OF_THREAD)))
        self.forget()

    def _share_out(self, threads: int) -> None:
        """Decide which trap-years and which groups each thread computes."""
        n, group_of = self.data.trap_years, self._groups.group_of
        self._ranges = [(int(a), int(b)) for a, b in pairwise(np.linspace(0, n, threads + 1).astype(int))]
        parts = min(threads, len(self.group_labels))
        at = np.searchsorted(group_of, np.linspace(0, n, parts + 1))
        at[0], at[-1] = 0, len(self.group_labels)
        self._parts = [(int(a), int(b)) for a, b in pairwise(at) if b > a]

    def twin(self, *, threads: int | None = None) -> Likelihood:
        """Return a likelihood of the same data and model that shares no state of a search with this one."""
        other = copy(self)
        if threads is not None:
            other._share_out(threads)
        other.forget()
        return other

    def of_some(self, keep: np.ndarray) -> Likelihood:
        """Return the likelihood of some of the trap-years, shape (trap-years,), in the same coordinates."""
        return replace(
            self,
            data=subset(self.data, keep),
            groups=self.groups[keep],
            crossed=None if self.crossed is None else self.crossed[keep],
            covariates=None if self.covariates is None else self.covariates[keep],
        )

    def forget(self) -> None:
        """Forget where the last search for modes ended."""
        self._modes = np.zeros((self.data.trap_years, self.dims))
        self._group_mode = np.zeros(len(self.group_labels))
        self._cross: CrossedShifts | None = None
        if self.crossed is not None:
            _, year = np.unique(self.groups, return_inverse=True)
            self.cross_labels, site = np.unique(self.crossed, return_inverse=True)
            years, sites = len(self.group_labels), len(self.cross_labels)
            start = np.zeros(years + sites)
            self._cross = CrossedShifts(
                year.astype(np.int64), site.astype(np.int64), years, sites, start, start
            )

    def correct(self, theta: np.ndarray, nodes: tuple[int, int, int]) -> float:
        """Remove the error of the nodes to first order about a vector, and return by how much the value moved there."""
        self._correction = None
        value, gradient = self(theta)
        kept, self.nodes = self.nodes, nodes
        finer, slopes = self(theta)
        self.nodes = kept
        self._correction = (theta.copy(), finer - value, slopes - gradient)
        return finer - value

    def crossed_error(self, theta: np.ndarray) -> float:
        """Return what Laplace's rule over crossed shifts leaves out of the log-likelihood; 0 without such shifts."""
        if self._cross is None:
            return 0.0
        self.by_group(theta, False)
        return laplace_error(self._cross)

    def heat_at(self, base: float, upper: float | None = None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return heat at the edges and its slopes in base and upper threshold, remembered while those stay."""
        if upper is None:
            upper = math.inf if self.heat.upper is None else float(self.heat.upper)
        if self._heat_key != (base, upper):
            self._heat = self.data.heat_at_edges(base, self.heat, upper)
            self._heat_key = (base, upper)
        return self._heat

    def __call__(self, theta: np.ndarray, gradient: bool = True) -> tuple[float, np.ndarray]:
        """Return the log-likelihood and its gradient."""
        values, gradients, _ = self.by_group(theta, gradient)
        total = gradients.sum(axis=0)
        if not self.own_shift:
            total[self.layout.places.shift_sd] = 0.0
        constant = 0.0 if self.counts == "presence" else self.data.constant
        value = float(values.sum()) + constant
        if self.rearing is not None:
            both = [self.layout.places.base, self.layout.places.requirement]
            more, slopes = self.rearing.value_and_slope(float(theta[both[0]]), float(theta[both[1]]))
            value += more
            total[both] += slopes
        if self._correction is not None:
            about, moved, by = self._correction
            away = theta - about
            # As an SD goes to zero, its error goes to a limit; a linear correction would grow without bound.
            shrunk = self._sds & (away < 0.0)
            value += moved + float(by @ np.where(shrunk, np.expm1(np.minimum(away, 0.0)), away))
            total += by * np.where(shrunk, np.exp(np.minimum(away, 0.0)), 1.0)
        return value, total

    def _named_records(self) -> TrapRecords:
        d = self.data
        return TrapRecords(
            kind=PRESENCE if self.counts == "presence" else COUNTS,
            catch_of=d.catch_of,
            left=d.catch_left,
            right=d.catch_right,
            counts=d.catch_count,
            is_open=d.catch_open,
            effort=d.catch_effort,
            share=d.catch_share,
            totals=d.totals,
            any_open=d.any_open,
            whole=d.whole,
            covariates=self._x,
        )

    def _values(self, theta: np.ndarray) -> ModelValues:
        at = self.layout.places
        upper = None if self.heat.upper is None else float(theta[at.upper])
        effects = theta[at.effects :]
        latent_sd = np.empty(self.dims)
        latent_sd[0] = math.exp(theta[at.shift_sd]) if self.own_shift else 0.0
        if self._cross is not None:
            # Moments are taken over the own shift; no data distinguish half a degree-day from zero.
            latent_sd[0] = max(latent_sd[0], SMALLEST_OWN)
        latent_sd[1 : self.flights] = np.exp(theta[at.size_sd : at.stray])
        if self.dims > self.flights:
            latent_sd[self.flights] = math.exp(theta[at.abundance_sd])
        weight, night = self.data.edge_weights(float(theta[at.night]))
        heat = self.heat_at(float(theta[at.base]), upper)
        return ModelValues(
            edges=Edges(self.data.edge_of, weight, *heat, night),
            curves=FlightCurves(
                code=self._curve,
                requirement=np.ascontiguousarray(theta[at.requirement : at.spread]),
                spread=np.exp(theta[at.spread : at.concentration]),
                factors=np.exp(self._x @ effects) if effects.size else np.ones(len(self._x)),
                spread_follows=self.spread_follows,
            ),
            concentration=(
                math.exp(theta[at.concentration]) if self.counts == "dirichlet-multinomial" else INDEPENDENT
            ),
            stray=1.0 / (1.0 + math.exp(-theta[at.stray])),
            mean_size=np.ascontiguousarray(theta[at.size : at.size_sd]),
            log_abundance=float(theta[at.abundance]),
            group_sd=math.exp(theta[at.group_sd]) if self.has_group else 0.0,
            latent_sd=latent_sd,
        )

    def by_group(self, theta: np.ndarray, gradient: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return the log-likelihood of each group, its gradient, and the group shift's mean and SD."""
        named = self._values(theta)
        grid = latent_grid(self.nodes[0], self.nodes[1], self.dims)
        if self._cross is not None:
            return self._crossed(named, grid, math.exp(theta[self.layout.places.cross_sd]), gradient)
        groups = len(self.group_labels)
        values = np.empty(groups)
        gradients = np.zeros((groups, self.layout.size))
        means = np.zeros((groups, 2))
        farthest = _REACH * self.nodes[0] if self.nodes[0] <= _SEARCH_NODES else _EXACT_REACH
        quadrature = Quadrature(*grid, *hermite(self.nodes[2]), farthest)

        def fill(part: tuple[int, int]) -> None:
            group_likelihood(
                *part,
                self._groups,
                self._records,
                named,
                quadrature,
                self._group_mode,
                self._modes,
                gradient,
                values,
                gradients,
                means,
            )

        _in_threads(fill, self._parts)
        return values, gradients, means

    def _crossed(
        self, named: ModelValues, grid: tuple[Floats, Floats], cross_sd: float, gradient: bool
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        assert self._cross is not None
        n = self.data.trap_years
        slopes = np.empty((n, 2))
        cumulants = np.empty((n, 5))
        gradients = np.zeros((n, 3, self.layout.size))

        def slopes_at(centres: np.ndarray) -> np.ndarray:
            def fill(part: tuple[int, int]) -> None:
                trap_year_slopes(*part, centres, self._records, named, self._modes, slopes)

            _in_threads(fill, self._ranges)
            return slopes

        def moments_at(centres: np.ndarray, want: bool) -> tuple[np.ndarray, np.ndarray]:
            def fill(part: tuple[int, int]) -> None:
                trap_year_moments(
                    *part, centres, self._records, named, *grid, self._modes, want, cumulants, gradients
                )

            _in_threads(fill, self._ranges)
            return cumulants, gradients

        scale = (named.group_sd, cross_sd)
        own = float(named.latent_sd[0])
        value, total, known = crossed_likelihood(
            self._cross, scale, own, self.layout.places, slopes_at, moments_at, want=gradient
        )
        return np.array([value]), total[None, :], known
