"""Fitting a flight model: start, maximise, check the quadrature, profile, and report what the data do not fix."""

from __future__ import annotations

import math
from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from phenofit.errors import DataError
from phenofit.files import versions
from phenofit.flight.estimate.collapse import without_collapsed
from phenofit.flight.estimate.enough_records import lacking_for_fit, recorded_in
from phenofit.flight.estimate.maximise import Maximum, maximise
from phenofit.flight.estimate.search import (
    FIRST_NODES,
    LARGEST_ERROR,
    VALUE,
    covariance_at,
    enough_nodes,
    find_maximum,
)
from phenofit.flight.estimate.setup import build_likelihood, natural_values, public_name, search_box, simplify
from phenofit.flight.intervals.curvature import Disagreement, agreed_covariance
from phenofit.flight.intervals.profile import Profile, square_root
from phenofit.flight.intervals.profile_jobs import compute_profiles
from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.flight.likelihood.log_likelihood import Likelihood
from phenofit.flight.likelihood.parameters import plain_name
from phenofit.flight.model import FitSettings
from phenofit.flight.problems import (
    curvature_problems,
    find_problems,
    interrupted_problem,
    quadrature_problems,
    rearing_problems,
)
from phenofit.flight.result import FlightFit
from phenofit.flight.sampling import Sampling
from phenofit.progress import Progress

_HIGHER = 0.005  # least gain in the log-likelihood by which a point of a profile replaces the maximum
_RESTARTS = 4  # most restarts, each from a higher point


@dataclass(frozen=True)
class FitOptions:
    """What a fit gives in addition to the estimates, and how it runs; see :func:`phenofit.flight.fit_flights`."""

    profiles: bool | tuple[str, ...] = True
    precise: bool = True
    provenance: Mapping[str, object] = field(default_factory=dict)
    progress: Progress | None = None
    executor: Executor | None = None
    near: tuple[np.ndarray, ...] = ()  # Vectors near which the maximum may lie.
    begin: Maximum | None = None  # Where another search ended, near enough to begin there and nowhere else.
    errors: bool = (
        True  # Whether standard errors, and so draws, are wanted; without them those of the search stand.
    )
    exact: bool = (
        True  # Whether the error of the rule for flight sizes is removed, some tenths of the log-likelihood.
    )


class FitInterrupted(KeyboardInterrupt):
    """Ctrl-C while the intervals were computed.

    Attributes
    ----------
    fit : FlightFit
        The estimates, with the intervals that were ready; its first problem names the others.
    """

    def __init__(self, fit: FlightFit) -> None:
        super().__init__(fit.problems[0])
        self.fit = fit


@dataclass(frozen=True)
class Found:
    """Where the search for a fit ended, without errors and intervals: enough to choose between fits."""

    maximum: Maximum
    aic: float


def search_data(
    data: FlightData, settings: FitSettings, near: tuple[np.ndarray, ...] = (), begin: Maximum | None = None
) -> Found:
    """Search for the maximum on assembled data, to the accuracy of a search."""
    settings, _ = _ready(data, settings)
    likelihood = build_likelihood(data, settings, FIRST_NODES, search=True)
    maximum, box, _ = find_maximum(
        likelihood, *search_box(likelihood, settings), near, begin=begin, exact=False
    )
    return Found(maximum, 2.0 * float(box.free.sum()) - 2.0 * maximum.value)


def _ready(data: FlightData, settings: FitSettings) -> tuple[FitSettings, tuple[str, ...]]:
    lacking = lacking_for_fit(recorded_in(data), flights=settings.flights, what=settings.species)
    if lacking:
        raise DataError(lacking)
    return simplify(data, settings)


def fit_data(
    data: FlightData,
    settings: FitSettings,
    *,
    profiles: bool | tuple[str, ...] = True,
    precise: bool = True,
    near: tuple[np.ndarray, ...] = (),
    errors: bool = True,
) -> FlightFit:
    """Fit assembled data; see :class:`FitOptions` and :func:`phenofit.flight.fit_flights`."""
    options = FitOptions(profiles=profiles, precise=precise, near=near, errors=errors)
    return fit_at_maximum(data, settings, options)[0]


def fit_at_maximum(data: FlightData, settings: FitSettings, options: FitOptions) -> tuple[FlightFit, Maximum]:
    """Fit assembled data; return the end of the search too, from which another may begin."""
    say = options.progress or (lambda _text: None)
    settings, simplified = _ready(data, settings)
    likelihood = build_likelihood(data, settings, FIRST_NODES, search=True)
    box, template = search_box(likelihood, settings)
    say("looking for the maximum")
    maximum, box, moved = find_maximum(
        likelihood, box, template, options.near, begin=options.begin, exact=options.exact
    )
    if options.errors or options.profiles or len(maximum.spread) != box.free.sum():
        covariance, interior = covariance_at(likelihood, maximum, box)
    else:
        covariance, interior = maximum.spread, ~box.at_edge(maximum.theta)[box.free]
    found: dict[str, Profile] = {}
    left_out: tuple[str, ...] = ()
    if options.profiles:
        for restarts_left in reversed(range(_RESTARTS + 1)):
            stop_at = maximum.value + _HIGHER if restarts_left and not box.in_days else math.inf
            found, best, left_out = compute_profiles(
                likelihood, maximum, box, covariance, settings, options.profiles, say, options.executor,
                stop_at=stop_at,
            )  # fmt: skip
            if left_out or best.value < stop_at:
                break
            # A profile found a higher likelihood: begin again from there.
            maximum = maximise(likelihood, best.theta, box, square_root(covariance))
            box = without_collapsed(box, maximum.theta, likelihood.layout)
            covariance, interior = covariance_at(likelihood, maximum, box)
        # Beside a collapsed flight, which is held, a profile may always find a little more.
        converged = maximum.success and (best.value < maximum.value + _HIGHER or bool(box.in_days))
    else:
        converged = maximum.success
    disagreements: tuple[Disagreement, ...] = ()
    # Where the search has not arrived, neither curvature nor profile is about a maximum.
    if options.errors and maximum.success:
        covariance, disagreements = agreed_covariance(
            likelihood, maximum, box, covariance, interior, profiles=found
        )
    parameters = natural_values(likelihood, settings, maximum.theta)
    free = np.flatnonzero(box.free)
    names = [public_name(likelihood, settings, k) for k in free[interior]]
    inside = covariance[np.ix_(interior, interior)]
    coordinates = likelihood.coordinates.keeping(box.direct)
    slopes = coordinates.jacobian(maximum.theta)[np.ix_(free[interior], free[interior])]
    table = pd.DataFrame(slopes @ inside @ slopes.T, index=names, columns=names)
    direct = tuple(plain_name(public_name(likelihood, settings, k)) for k in sorted(coordinates.direct))
    shifts = _shifts(likelihood, settings, maximum.theta)
    if options.precise and options.exact:
        one = likelihood.dims == 1
        if one and moved >= VALUE.tolerance and likelihood.nodes != VALUE.most:
            likelihood.nodes, moved = enough_nodes(likelihood, maximum.theta, VALUE, beyond=likelihood.nodes)
        crossed = abs(likelihood.crossed_error(maximum.theta))
        tolerance = VALUE.tolerance if one and likelihood.crossed is None else LARGEST_ERROR
        simplified = (*simplified, *quadrature_problems(moved + crossed, tolerance))
    value, _ = likelihood(maximum.theta, False)
    if settings.upper_range is not None:
        settings = replace(settings, heat=replace(settings.heat, upper=parameters["upper"]))
    fit = FlightFit(
        settings=settings,
        parameters=parameters,
        covariance=table,
        profiles=found,
        log_likelihood=value,
        fitted=int(box.free.sum()),
        converged=converged,
        problems=(),
        data=data.table,
        shifts=shifts,
        left_out=data.left_out,
        provenance={"versions": versions(), **options.provenance},
        sampling=Sampling(tuple(names), inside, likelihood.reference, direct),
    )
    said = [*find_problems(fit, maximum), *curvature_problems(disagreements)]
    if settings.rearing is not None:
        without = replace(fit.settings, rearing=None)
        said += rearing_problems(fit, fit_data(data, without, profiles=False, precise=False))
    if left_out:
        problems = (interrupted_problem(left_out), *simplified, *said)
        raise FitInterrupted(replace(fit, problems=problems))
    return replace(fit, problems=(*simplified, *said)), maximum


def _shifts(likelihood: Likelihood, settings: FitSettings, theta: np.ndarray) -> pd.DataFrame:
    """Return the posterior shifts of years and sites."""
    _, _, known = likelihood.by_group(theta, False)
    sites = pd.unique(likelihood.data.table["site"])
    labels: list[tuple[str, Any]] = []
    if settings.group is not None:
        named = [sites[int(k)] if settings.group == "site" else int(k) for k in likelihood.group_labels]
        labels += [(settings.group, label) for label in named]
    if settings.crossed:
        labels += [("site", sites[int(k)]) for k in likelihood.cross_labels]
    return pd.DataFrame(
        {
            "part": [part for part, _ in labels],
            "group": pd.Series([label for _, label in labels], dtype=object),
            "mean": known[: len(labels), 0],
            "sd": known[: len(labels), 1],
        }
    )
