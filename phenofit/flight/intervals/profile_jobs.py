"""The profiles of a fit, one job for each parameter, here or wherever an executor runs them."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np

from phenofit.cluster import on_worker
from phenofit.flight.estimate.maximise import Box, Maximum
from phenofit.flight.estimate.setup import natural_values, public_name
from phenofit.flight.intervals.profile import Profile, profile_entry
from phenofit.flight.intervals.reference_distribution import degrees_of_error
from phenofit.flight.likelihood.log_likelihood import Likelihood
from phenofit.flight.likelihood.parameters import plain_name
from phenofit.flight.model import FitSettings
from phenofit.heat.compiled.threads import processors

_SMALL = 500  # trap-years times flights, below which the threads of one evaluation wait for each other


@dataclass(frozen=True)
class _Job:
    """One profile to compute, with all that another process needs."""

    likelihood: Likelihood
    maximum: Maximum
    box: Box
    covariance: np.ndarray
    index: int
    public: str
    level: float
    degrees: float


def _profile(job: _Job, *, threads: int | None = None) -> tuple[str, Profile, Maximum]:
    # A copy without state: the answer must not depend on what ran before, or where.
    likelihood = job.likelihood.twin(threads=threads)
    entry = likelihood.layout.entries[job.index]
    name, parameter = plain_name(job.public), entry.parameter
    profile, highest = profile_entry(
        likelihood,
        job.maximum,
        job.box,
        job.covariance,
        job.index,
        name=name,
        logarithmic=bool(parameter.transform),
        level=job.level,
        degrees=job.degrees,
        transform=parameter.natural if parameter.transform == "logit" else None,
    )
    return name, profile, highest


def _by_job(likelihood: Likelihood, jobs: int) -> bool:
    """Return whether whole jobs share the processors better than the parts of one evaluation do."""
    if on_worker():
        return False
    small = likelihood.data.trap_years * likelihood.dims < _SMALL
    return small or jobs >= 2 * processors()


def compute_profiles(
    likelihood: Likelihood,
    maximum: Maximum,
    box: Box,
    covariance: np.ndarray,
    settings: FitSettings,
    wanted: bool | tuple[str, ...],
    say: Callable[[str], None],
    executor: Executor | None,
    *,
    stop_at: float,
) -> tuple[dict[str, Profile], Maximum, tuple[str, ...]]:
    """Return the profiles of a fit, the highest point found, and the parameters that an interrupt has left out.

    A point as high as `stop_at` ends the work: the profiles found until then do not start from a maximum.
    """
    jobs = []
    sds = natural_values(likelihood, settings, maximum.theta)
    for index in np.flatnonzero(box.free):
        public = public_name(likelihood, settings, int(index))
        name = plain_name(public)
        if isinstance(wanted, bool) or name in wanted:
            degrees = degrees_of_error(name, settings, likelihood.data.table, sds)
            jobs.append(
                _Job(likelihood, maximum, box, covariance, int(index), public, settings.level, degrees)
            )
    found: dict[str, Profile] = {}
    best = maximum
    own = ThreadPoolExecutor(processors()) if executor is None and _by_job(likelihood, len(jobs)) else None
    pool = executor or own
    done = map(_profile, jobs) if pool is None else pool.map(partial(_profile, threads=1), jobs)
    try:
        for name, profile, highest in done:
            found[name] = profile
            if highest.value > best.value:
                best = highest
            say(f"interval of {name.replace('_', ' ')} ({len(found)} of {len(jobs)})")
            if best.value >= stop_at:
                return found, best, ()
    except KeyboardInterrupt:
        if len(found) == len(jobs):
            raise
        # Otherwise the missing profiles are returned by name, and the caller raises again, with the estimates.
    finally:
        if own is not None:
            own.shutdown(cancel_futures=True)
    names = (plain_name(job.public) for job in jobs)
    return found, best, tuple(name for name in names if name not in found)
