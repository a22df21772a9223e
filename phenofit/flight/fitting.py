"""Fitting a flight model: start, maximise, check the quadrature, profile, and report what the data do not fix."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from phenofit.errors import DataError
from phenofit.files import versions
from phenofit.flight.estimate.enough_records import lacking_for_fit, recorded_in
from phenofit.flight.estimate.flight_order import in_order, require_order
from phenofit.flight.estimate.maximise import maximise
from phenofit.flight.estimate.search import FIRST_NODES, VALUE, covariance_at, enough_nodes, find_maximum
from phenofit.flight.estimate.setup import build_likelihood, natural_values, public_name, search_box, simplify
from phenofit.flight.intervals.curvature import agreed_covariance
from phenofit.flight.intervals.profile import Profile, square_root
from phenofit.flight.intervals.profile_jobs import compute_profiles
from phenofit.flight.likelihood.flight_data import FlightData, assemble
from phenofit.flight.likelihood.log_likelihood import Likelihood
from phenofit.flight.model import FitSettings, FlightModel
from phenofit.flight.problems import curvature_problems, find_problems, quadrature_problems, rearing_problems
from phenofit.flight.result import FlightFit
from phenofit.progress import Progress

if TYPE_CHECKING:
    from phenofit.records import Records


@dataclass(frozen=True)
class FitOptions:
    """What a fit gives beside the estimates, and how it runs; see :func:`phenofit.flight.fit_flights`."""

    profiles: bool | tuple[str, ...] = True
    precise: bool = True
    provenance: Mapping[str, object] = field(default_factory=dict)
    progress: Progress | None = None
    executor: Executor | None = None


def fit_records(records: Records, model: FlightModel, options: FitOptions) -> FlightFit:
    """Fit one number of flights with one curve."""
    settings = model.fit_settings(records.season, species=records.species, biofix=records.starts is not None)
    return fit_data(
        assemble(records, kind=settings.records, night=settings.night_weather), settings, **vars(options)
    )


def fit_data(
    data: FlightData,
    settings: FitSettings,
    *,
    profiles: bool | tuple[str, ...] = True,
    precise: bool = True,
    provenance: Mapping[str, object] | None = None,
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> FlightFit:
    """Fit assembled data; see :func:`phenofit.flight.fit_flights`."""
    say = progress or (lambda _text: None)
    lacking = lacking_for_fit(recorded_in(data), flights=settings.flights, what=settings.species)
    if lacking:
        raise DataError(lacking)
    settings, simplified = simplify(data, settings)
    likelihood = build_likelihood(data, settings, FIRST_NODES)
    box, template = search_box(likelihood, settings)
    say("looking for the maximum")
    step = np.full(likelihood.layout.size, 0.02)
    step[1 : settings.flights + 1] = 0.5
    maximum, moved = find_maximum(likelihood, box, template)
    require_order(likelihood, maximum.theta)
    covariance, interior = covariance_at(likelihood, maximum, box, step)
    found: dict[str, Profile] = {}
    if profiles:
        for attempt in range(3):
            found, best = compute_profiles(
                likelihood, maximum, box, covariance, settings, profiles, say, executor
            )
            if best.value <= maximum.value + 0.005 or attempt == 2:
                break
            # A profile found a higher likelihood: begin again from there.
            scale = square_root(covariance)
            maximum = in_order(
                likelihood, maximise(likelihood, best.theta, box, scale), box, scale, tolerance=2e-3
            )
            require_order(likelihood, maximum.theta)
            covariance, interior = covariance_at(likelihood, maximum, box, step)
        converged = maximum.success and best.value <= maximum.value + 0.005
    else:
        converged = maximum.success
    covariance, disagreements = agreed_covariance(
        likelihood, maximum, box, covariance, interior, step, profiles=found
    )
    parameters = natural_values(likelihood, settings, maximum.theta)
    free = np.flatnonzero(box.free)
    names = [public_name(likelihood, settings, k) for k in free[interior]]
    table = pd.DataFrame(covariance[np.ix_(interior, interior)], index=names, columns=names)
    shifts = _shifts(likelihood, settings, maximum.theta)
    if precise:
        if moved >= VALUE.tolerance and likelihood.nodes != VALUE.most:
            likelihood.nodes, moved = enough_nodes(likelihood, maximum.theta, VALUE, beyond=likelihood.nodes)
        simplified = (*simplified, *quadrature_problems(moved, VALUE.tolerance))
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
        provenance={"versions": versions(), **dict(provenance or {})},
    )
    said = [*find_problems(fit, maximum), *curvature_problems(disagreements)]
    if settings.rearing is not None:
        without = replace(fit.settings, rearing=None)
        said += rearing_problems(fit, fit_data(data, without, profiles=False, precise=False))
    return replace(fit, problems=(*simplified, *said))


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
