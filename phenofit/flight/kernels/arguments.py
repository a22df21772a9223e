"""What the compiled likelihood takes: records, values of the parameters, and arrays to work in, by name."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from phenofit.heat.compiled.compiler import compiled

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# Kinds of records.
COUNTS, PRESENCE = range(2)
# Rows of `Workspace.edges`, `Workspace.steps` and `Workspace.by_flight`: the share flown, and its slopes in the shift,
# requirement, log spread, base, upper threshold and night effect (the last has no entry by edge).
FLOWN, BY_SHIFT, BY_REQUIREMENT, BY_SPREAD, BY_BASE, BY_UPPER, BY_NIGHT, CURVE_ROWS = range(8)
# Further rows of `Workspace.by_flight`: log size of each flight, its share in the moths, and the slopes of one chance in
# the latent values.
LOG_SIZE, SIZE, BY_LATENT, FLIGHT_ROWS = range(CURVE_ROWS, CURVE_ROWS + 4)
# Rows of `Workspace.checks`: the chance of each catch, the share of the flights that flew in its interval, and the
# first and minus the second slope of the log chance of the record in the chance.
CHANCE, SHARE, SLOPE, INFORMATION = range(4)
# Rows of `Edges.night`: the chance of being caught from each edge to the next against a night of usual weather, its slope in
# the night effect, and the slope of the edge's weight.
NIGHT, NIGHT_SLOPE, WEIGHT_SLOPE = range(3)


class Places(NamedTuple):
    """Position of each parameter in a vector, and of its slope in a gradient; of several, the first."""

    base: int
    requirement: int  # of each flight
    spread: int  # log, of each flight
    concentration: int  # log
    group_sd: int  # log SD of the shift of the group (year or site)
    shift_sd: int  # log SD of the trap-year's own shift
    size: int  # mean log size of flight 2 and later, against flight 1
    size_sd: int  # log SD of these
    stray: int  # logit
    upper: int
    cross_sd: int  # log SD of the second group's shift, where years and sites cross
    abundance: int  # mean log abundance, for records of presence only
    abundance_sd: int  # log SD of that
    night: int  # effect of the night's weather on the log chance of being caught
    effects: int  # of the covariates on the log requirement
    end: int  # length of the vector


@compiled
def places_of(flights: int, covariates: int) -> Places:
    """Return the places of the parameters in a vector."""
    concentration = 1 + 2 * flights
    size = concentration + 3
    stray = size + 2 * (flights - 1)
    effects = stray + 6
    return Places(
        base=0,
        requirement=1,
        spread=1 + flights,
        concentration=concentration,
        group_sd=concentration + 1,
        shift_sd=concentration + 2,
        size=size,
        size_sd=size + flights - 1,
        stray=stray,
        upper=stray + 1,
        cross_sd=stray + 2,
        abundance=stray + 3,
        abundance_sd=stray + 4,
        night=stray + 5,
        effects=effects,
        end=effects + covariates,
    )


class TrapRecords(NamedTuple):
    """The catches of all trap-years: the intervals with at least one moth."""

    kind: int  # COUNTS or PRESENCE
    catch_of: Ints
    left: Ints  # edges of the interval
    right: Ints
    counts: Ints
    is_open: Ints  # 1 where the count is known only from below
    effort: Floats
    share: Floats  # of the trap's time and effort
    totals: Ints  # of each trap-year
    any_open: Ints  # counts of each trap-year known only from below
    whole: Floats  # added to the sum of all chances: 1 where the time beyond the last check counts too
    covariates: Floats


class Edges(NamedTuple):
    """The check times at which the curve is needed; a trap-year `i` owns ``edge_of[i] : edge_of[i + 1]``."""

    edge_of: Ints
    weight: Floats  # in the sum of all chances
    heat: Floats
    by_base: Floats  # slopes of the heat
    by_upper: Floats
    night: Floats  # rows: see NIGHT; without columns where the weather of nights plays no part


class FlightCurves(NamedTuple):
    """The flight curves of all trap-years."""

    code: int
    requirement: Floats  # of each flight
    spread: Floats
    factors: Floats  # by what the requirements of each trap-year differ
    spread_follows: bool  # whether the spreads differ by the same factors


class ModelValues(NamedTuple):
    """The parameters of one evaluation on their natural scale, and the heat that follows from them."""

    edges: Edges
    curves: FlightCurves
    concentration: float
    stray: float
    mean_size: Floats
    log_abundance: float
    group_sd: float
    latent_sd: Floats  # of the own shift, of each flight's log size from the second on, of the log abundance


class Groups(NamedTuple):
    """Which trap-years share a shift: those of group `y` are ``members[group_of[y] : group_of[y + 1]]``."""

    group_of: Ints
    members: Ints


class Quadrature(NamedTuple):
    """Nodes, and the logs of their weights times exp(t^2 / 2)."""

    grid: Floats  # of the latent values of a trap-year
    weights: Floats
    outer_nodes: Floats  # of the group's shift
    outer_weights: Floats
    farthest: float  # how far a group's shift may lie from where the nodes of its trap-years were placed


class Workspace(NamedTuple):
    """Arrays to work in."""

    edges: Floats  # curve of one flight at the edges of a trap-year; rows: see FLOWN
    steps: Floats  # what each flight's curve rises by in the interval of each catch, times effort; rows: see FLOWN
    by_flight: Floats  # the same for the sum of all chances of a trap-year; further rows: see LOG_SIZE
    checks: Floats  # catches of a trap-year; rows: see CHANCE
    latent: Floats  # slopes of the log chance of the record in the latent values
    information: Floats  # minus its second slopes
    gradient: Floats
    places: Places  # in the gradient


class Search(NamedTuple):
    """Arrays for the search of a mode."""

    trial: Floats
    direction: Floats
    matrix: Floats
    factor: Floats  # Cholesky factor of the curvature in SDs


class NodeValues(NamedTuple):
    """The nodes of one trap-year."""

    terms: Floats  # log integrand and weight
    latent: Floats  # latent values in SDs
    slopes: Floats  # slope in the own shift
    gradients: Floats
    weights: Floats  # made of the terms
    mean_gradient: Floats


@compiled
def make_room(records: TrapRecords, values: ModelValues) -> Workspace:
    """Return arrays to work in."""
    edge_of = values.edges.edge_of
    flights = values.curves.requirement.shape[0]
    dims = values.latent_sd.shape[0]
    places = places_of(flights, records.covariates.shape[1])
    edges = 0
    catches = 0
    for i in range(edge_of.shape[0] - 1):
        edges = max(edges, edge_of[i + 1] - edge_of[i])
        catches = max(catches, records.catch_of[i + 1] - records.catch_of[i])
    return Workspace(
        edges=np.empty((CURVE_ROWS, edges)),
        steps=np.empty((CURVE_ROWS, flights, catches)),
        by_flight=np.zeros((FLIGHT_ROWS, flights)),
        checks=np.empty((4, catches)),
        latent=np.empty(dims),
        information=np.empty((dims, dims)),
        gradient=np.zeros(places.end),
        places=places,
    )


@compiled
def make_search(dims: int) -> Search:
    """Return arrays for the search of a mode."""
    return Search(
        trial=np.empty(dims),
        direction=np.empty(dims),
        matrix=np.zeros((dims, dims)),
        factor=np.zeros((dims, dims)),
    )


@compiled
def make_nodes(nodes: int, dims: int, slopes: int) -> NodeValues:
    """Return arrays for so many nodes of a trap-year, with so many slopes in a gradient."""
    return NodeValues(
        terms=np.empty(nodes),
        latent=np.empty((nodes, dims)),
        slopes=np.empty(nodes),
        gradients=np.zeros((nodes, slopes)),
        weights=np.empty(nodes),
        mean_gradient=np.zeros(slopes),
    )
