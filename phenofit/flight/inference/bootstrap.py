"""Where an interval ends when the fitted model itself is asked: a parametric bootstrap of the likelihood ratio."""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from phenofit.errors import DataError, FitError, ModelError
from phenofit.flight.fitted_likelihood import data_of_fit
from phenofit.flight.fitting import fit_data
from phenofit.flight.inference.redraw import Redraw, redraw
from phenofit.flight.intervals.profile import level_of_root
from phenofit.flight.likelihood.parameters import parameter_of
from phenofit.flight.result import FlightFit

if TYPE_CHECKING:
    from phenofit.records import Records

__all__ = ["BootstrapInterval", "bootstrap_interval"]

_MOST_FAILED = 0.1  # of the draws


@dataclass(frozen=True)
class BootstrapInterval:
    """An interval whose cut comes from data drawn anew.

    Attributes
    ----------
    name : str
        Parameter.
    estimate : float
        Its estimate.
    level : float
        Confidence level.
    low, high : float or None
        Ends; ``None`` for an end that the data leave open.
    cut : float
        Root of the deviance at which the interval ends.
    usual_cut : float
        The same by the reference that the fit uses.
    roots : array
        Root of twice the fall of the log-likelihood at the generating value, one for each draw.
    failed : int
        Draws whose fit failed; they are left out of `roots`.
    """

    name: str
    estimate: float
    level: float
    low: float | None
    high: float | None
    cut: float
    usual_cut: float
    roots: npt.NDArray[np.float64]
    failed: int


@dataclass(frozen=True)
class _Job:
    model: Redraw
    name: str
    seed: tuple[int, int]


def bootstrap_interval(
    fit: FlightFit,
    records: Records,
    name: str,
    *,
    count: int = 199,
    seed: int = 1,
    level: float | None = None,
    executor: Executor | None = None,
    progress: Callable[[str], None] | None = None,
) -> BootstrapInterval:
    """Return the interval of one parameter, its cut calibrated on data drawn from the fit.

    Parameters
    ----------
    fit : FlightFit
        The fit, with the parameter fitted.
    records : Records
        What it was fitted to.
    name : str
        Parameter, such as ``"base"`` or ``"requirement_1"``.
    count : int
        Draws; 199 leave the cut uncertain by about a tenth.
    seed : int
        Same seed, same interval, whatever runs the draws.
    level : float, optional
        Confidence level; that of the fit by default.
    executor : concurrent.futures.Executor, optional
        Runs the draws: threads, processes, or those of a cluster.
    progress : callable, optional
        Told in words how far it is.

    Returns
    -------
    BootstrapInterval

    Raises
    ------
    ModelError
        If the parameter was not fitted, there are too few draws for the level, or some records are no counts.
    DataError
        If the records are not those of the fit.
    FitError
        If more than a tenth of the draws could not be fitted.

    Notes
    -----
    Counts are drawn from the fitted model at the checks and totals of the records, shifts included. Each draw is
    fitted free and with the parameter held at the value that generated it. The cut is the order statistic number
    ``ceil((count + 1) level)`` of the roots of the deviance; the interval is where the fit's own profile passes it
    (Davison & Hinkley 1997, *Bootstrap Methods and their Application*). A variance estimated near zero is
    drawn near zero too: with two or three years the bootstrap may be too narrow.
    """
    level = fit.settings.level if level is None else level
    if name not in fit.parameters or f"{name}_1" in fit.parameters:
        raise ModelError(f"there is no parameter '{name}'; there are {', '.join(fit.parameters)}.")
    if not 0.5 <= level < 1.0:
        raise ModelError(f"a confidence level lies between 0.5 and 1, not at {level}.")
    place = math.ceil((count + 1) * level)
    if place > count:
        least = math.ceil(level / (1.0 - level))
        raise ModelError(f"{count} draws are too few for a level of {level:g}; take {least} or more.")
    data = data_of_fit(fit, records)
    model = redraw(fit, records)
    # The profile first: a parameter that was held is refused before any work is done.
    usual = fit_data(data, fit.settings, profiles=(name,)).profile(name)
    say = progress or (lambda _text: None)
    jobs = [_Job(model, name, (seed, k)) for k in range(count)]
    found = executor.map(_root, jobs) if executor is not None else map(_root, jobs)
    roots: list[float] = []
    for k, root in enumerate(found):
        if math.isfinite(root):
            roots.append(root)
        say(f"draw {k + 1} of {count}")
    failed = count - len(roots)
    if failed > _MOST_FAILED * count:
        raise FitError(f"{failed} of {count} draws could not be fitted; the bootstrap has nothing to say.")
    kept = np.sort(np.array(roots))
    cut = float(kept[min(math.ceil((len(kept) + 1) * level), len(kept)) - 1])
    reach = level_of_root(max(cut, usual.root_at(0.5)), usual.degrees)
    followed = fit_data(data, replace(fit.settings, level=reach), profiles=(name,)).profile(name)
    low, high = followed.crossing(cut)
    parameter = parameter_of(name)
    if low is None and parameter is not None and parameter.is_sd:
        low = 0.0
    return BootstrapInterval(
        name, fit.parameters[name], level, low, high, cut, usual.root_at(level), np.array(roots), failed
    )


def _root(job: _Job) -> float:
    """Return the root of the deviance at the generating value in one draw; NaN where a fit failed."""
    fit = job.model.fit
    data = job.model.draw(job.seed)
    settings = fit.settings
    value = fit.parameters[job.name]
    held = (
        replace(settings, base=value)
        if job.name == "base"
        else replace(settings, hold={**settings.hold, job.name: value})
    )
    try:
        free, fixed = (fit_data(data, s, profiles=False).log_likelihood for s in (settings, held))
    except (FitError, DataError):
        return math.nan
    return math.sqrt(max(2.0 * (free - fixed), 0.0))
