"""Fitting a flight model: start, climb, check the quadrature, profile, and say what the data do not fix."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Executor
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from phenofit.errors import DataError, ModelError
from phenofit.files import versions
from phenofit.flight.estimate.enough_records import lacking_for_fit, recorded_in
from phenofit.flight.estimate.flight_order import in_order, require_order
from phenofit.flight.estimate.maximise import maximise
from phenofit.flight.estimate.search import FIRST_NODES, VALUE, climb, covariance_at, enough_nodes
from phenofit.flight.estimate.setup import build_likelihood, natural_values, public_name, search_box, simplify
from phenofit.flight.intervals.curvature import agreed_covariance
from phenofit.flight.intervals.profile import Profile, square_root
from phenofit.flight.intervals.profile_jobs import follow_profiles
from phenofit.flight.likelihood.flight_data import FlightData, assemble
from phenofit.flight.likelihood.log_likelihood import Likelihood
from phenofit.flight.likelihood.rearing_term import RearingTerm
from phenofit.flight.model import FitSettings
from phenofit.flight.problems import (
    curvature_problems,
    find_problems,
    quadrature_problems,
    rearing_problems,
)
from phenofit.flight.result import FlightFit
from phenofit.heat.settings import HeatSettings, upper_threshold
from phenofit.progress import Progress
from phenofit.seasons import Season
from phenofit.units import parse_temperature

if TYPE_CHECKING:
    import xarray as xr

    from phenofit.traps import TrapYears

__all__ = ["fit_data", "fit_flights"]


def fit_flights(
    trap_years: TrapYears,
    weather: xr.Dataset,
    links: pd.DataFrame,
    *,
    season: Season,
    heat: HeatSettings | None = None,
    species: str = "",
    flights: int = 1,
    curve: str = "normal",
    base: str | float = "fit",
    base_range: tuple[float, float] = (-5.0, 20.0),
    hold: Mapping[str, float] | None = None,
    upper_range: tuple[float, float] | None = None,
    shifts: tuple[str, ...] = ("year", "trap-year"),
    counts: str = "dirichlet-multinomial",
    records: str = "counts",
    stray: float | str = 0.001,
    covariates: tuple[str, ...] = (),
    starts: Mapping[tuple[str, int], np.datetime64] | None = None,
    level: float = 0.95,
    rearing: RearingTerm | None = None,
    profiles: bool | tuple[str, ...] = True,
    precise: bool = True,
    provenance: Mapping[str, Any] | None = None,
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> FlightFit:
    """Fit base temperature and degree-day requirements of moth flights to trap catches.

    Parameters
    ----------
    trap_years : TrapYears
        Checked catch records.
    weather : Dataset
        Daily ``tmin`` and ``tmax`` [degC] on (station, time).
    links : DataFrame
        ``trap, station``.
    season : Season
        Where heat sums begin and end.
    heat : HeatSettings, optional
        Method, cut-off and upper threshold; single sine without an upper threshold by default.
    species : str
        Label.
    flights : int
        Flights a season, 1 to 3.
    curve : str
        Flight curve.
    base : "fit", float or str
        Fitted, or held at a temperature [degC] or ``"50 degF"``.
    base_range : tuple of float
        Where the base is looked for [degC].
    hold : mapping of str to float, optional
        Other parameters to hold, by their names in the result, such as ``{"requirement_1": 500.0}``.
    upper_range : tuple of float, optional
        Where the upper threshold is looked for [degC]; without it that of `heat` is held.
    shifts : tuple of str
        Parts of the trap-years' shift, of ``"year"``, ``"site"`` and ``"trap-year"``.
    counts : str
        ``"dirichlet-multinomial"``, or ``"multinomial"`` for moths that come independently.
    records : {"counts", "presence", "first catch"}
        What is fitted: the counts (catches that were not counted as "at least"); at which checks moths were caught; or
        when the first was caught. The requirement then is the heat at half of the *first catches*.
    stray : float or "fit"
        Share of the catch taken to be strays, held or fitted.
    covariates : tuple of str
        Columns of the trap table whose effect on the log requirement is fitted: numbers by the SD, text (region,
        host, kind of trap) by a ratio to the level with most trap-years; see :func:`covariate_design`.
    starts : mapping, optional
        Biofix of each (site, year), instead of the season's first day.
    level : float
        Confidence level.
    rearing : RearingTerm, optional
        Rearing data that take part, from :func:`phenofit.flight.likelihood.rearing_term`.
    profiles : bool or tuple of str
        Whether intervals are wanted, or of which parameters, by name; without them a fit is several times faster.
    precise : bool
        Whether the log-likelihood is given to 1e-4, for comparing fits; otherwise to 1e-2.
    provenance : mapping, optional
        Facts to keep with the result, such as hashes of the input files.
    progress : callable, optional
        Told in words how far the fit is.
    executor : concurrent.futures.Executor, optional
        Where the profiles run, one job for each parameter: processes, or a cluster's; same answer as without.

    Returns
    -------
    FlightFit
        Estimates, intervals, and in ``problems`` what the data leave open.

    Raises
    ------
    ModelError
        If a setting is outside what the model defines.
    DataError
        If no trap-year is left to fit, or the records are fewer than :mod:`phenofit.flight.estimate.enough_records` asks for.
    FitError
        If the likelihood is not finite anywhere the search looked.

    Notes
    -----
    The model: by heat H a share G((H - m - u) / s) of a flight has flown, m the requirement, s the spread and u the
    shift of the trap-year, a sum of normal parts. The counts of a trap-year's checks, given their total, are
    Dirichlet-multinomial. All shifts are integrated out by adaptive quadrature. Intervals hold the parameter
    values that the profile likelihood does not exclude. Where years (or sites) share a shift, few of them tell little
    about how much they vary: the fall of the likelihood is held against that of a normal mean of so many values whose
    variance is fitted, not against chi-squared, which is too short (:mod:`phenofit.flight.intervals.reference_distribution`).
    """
    if isinstance(stray, str) and stray != "fit":
        raise ModelError(f"the stray share is a number or 'fit', not '{stray}'.")
    settings = FitSettings(
        season=season,
        heat=heat or HeatSettings(),
        species=species,
        curve=curve,
        flights=flights,
        base_held=None if base == "fit" else parse_temperature(base),
        held=dict(hold or {}),
        base_range=(parse_temperature(base_range[0]), parse_temperature(base_range[1])),
        upper_range=None
        if upper_range is None
        else (upper_threshold(upper_range[0]), upper_threshold(upper_range[1])),
        shifts=tuple(shifts),
        counts=counts,
        records=records,
        stray=0.001 if isinstance(stray, str) else stray,
        stray_fitted=isinstance(stray, str),
        covariates=tuple(covariates),
        biofix=starts is not None,
        level=level,
        rearing=rearing,
    )
    data = assemble(trap_years, weather, links, season=season, starts=starts, records=records)
    return fit_data(
        data,
        settings,
        profiles=profiles,
        precise=precise,
        provenance=provenance,
        progress=progress,
        executor=executor,
    )


def fit_data(
    data: FlightData,
    settings: FitSettings,
    *,
    profiles: bool | tuple[str, ...] = True,
    precise: bool = True,
    provenance: Mapping[str, Any] | None = None,
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> FlightFit:
    """Fit assembled data; see :func:`fit_flights`.

    Parameters
    ----------
    data : FlightData
        Counts and temperatures.
    settings : FitSettings
        Model.
    profiles : bool or tuple of str
        Whether intervals are wanted, or of which parameters, by name.
    precise : bool
        Whether the log-likelihood is given to 1e-4, for comparing fits; otherwise to 1e-2.
    provenance : mapping, optional
        Facts to keep.
    progress : callable, optional
        Told in words how far the fit is.
    executor : concurrent.futures.Executor, optional
        Where the profiles run, one job for each parameter: processes, or a cluster's; same answer as without.

    Returns
    -------
    FlightFit
        The result.

    Raises
    ------
    DataError
        If the records are fewer than :mod:`phenofit.flight.estimate.enough_records` asks for.
    ModelError
        If a held parameter has no such name.
    FitError
        If the likelihood is not finite at any start, or the flights do not come out in order of time.
    """
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
    top, moved = climb(likelihood, box, template)
    require_order(likelihood, top.theta)
    covariance, interior = covariance_at(likelihood, top, box, step)
    found: dict[str, Profile] = {}
    if profiles:
        for attempt in range(3):
            found, best = follow_profiles(likelihood, top, box, covariance, settings, profiles, say, executor)
            if best.value <= top.value + 0.005 or attempt == 2:
                break
            # A profile climbed above the maximum: begin again from there.
            scale = square_root(covariance)
            top = in_order(
                likelihood, maximise(likelihood, best.theta, box, scale), box, scale, tolerance=2e-3
            )
            require_order(likelihood, top.theta)
            covariance, interior = covariance_at(likelihood, top, box, step)
        converged = top.success and best.value <= top.value + 0.005
    else:
        converged = top.success
    covariance, disagreements = agreed_covariance(
        likelihood, top, box, covariance, interior, step, profiles=found
    )
    parameters = natural_values(likelihood, settings, top.theta)
    free = np.flatnonzero(box.free)
    names = [public_name(likelihood, settings, k) for k in free[interior]]
    table = pd.DataFrame(covariance[np.ix_(interior, interior)], index=names, columns=names)
    shifts = _shifts(likelihood, settings, top.theta)
    if precise:
        if moved >= VALUE.tolerance and likelihood.nodes != VALUE.most:
            likelihood.nodes, moved = enough_nodes(likelihood, top.theta, VALUE, beyond=likelihood.nodes)
        simplified = (*simplified, *quadrature_problems(moved, VALUE.tolerance))
    value, _ = likelihood(top.theta, False)
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
    said = (*find_problems(fit, top), *curvature_problems(disagreements), *_rearing_problems(fit, data))
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


def _rearing_problems(fit: FlightFit, data: FlightData) -> list[str]:
    if fit.settings.rearing is None:
        return []
    alone = fit_data(data, replace(fit.settings, rearing=None), profiles=False, precise=False)
    return rearing_problems(fit, alone)
