"""Fitting a flight model: start, climb, check the quadrature, profile, and say what the data do not fix."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from phenofit.errors import FitError
from phenofit.files import versions
from phenofit.flight.data import FlightData, assemble
from phenofit.flight.likelihood import Likelihood
from phenofit.flight.maximise import Box, Maximum, curvature, maximise
from phenofit.flight.problems import find_problems
from phenofit.flight.profile import Profile, profile_entry
from phenofit.flight.reference import degrees_of_error
from phenofit.flight.result import FlightFit
from phenofit.flight.settings import FitSettings
from phenofit.flight.setup import build_likelihood, natural_values, public_name, search_box, simplify
from phenofit.flight.start import first_scale, starting_points
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from phenofit.units import parse_temperature

if TYPE_CHECKING:
    import xarray as xr

    from phenofit.traps import TrapYears

__all__ = ["fit_data", "fit_flights"]

Progress = Callable[[str], None]
_CLIMB_NODES = (5, 3, 3)
_NODES = ((7, 5, 5), (9, 7, 5), (15, 9, 7), (21, 11, 9), (31, 15, 11), (61, 25, 15))
# Quadrature may be off by this much in the search and its profiles, whose differences are much more exact, and in
# the log-likelihood that is reported.
_SEARCH_TOLERANCE = 1e-2
_VALUE_TOLERANCE = 1e-4


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
    shifts: tuple[str, ...] = ("year", "trap-year"),
    counts: str = "dirichlet-multinomial",
    stray: float = 0.001,
    covariates: tuple[str, ...] = (),
    starts: Mapping[tuple[str, int], np.datetime64] | None = None,
    level: float = 0.95,
    profiles: bool | tuple[str, ...] = True,
    precise: bool = True,
    provenance: Mapping[str, Any] | None = None,
    progress: Progress | None = None,
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
    shifts : tuple of str
        Parts of the trap-years' shift: ``"year"`` or ``"site"``, and ``"trap-year"``.
    counts : str
        ``"dirichlet-multinomial"``, or ``"multinomial"`` for moths that come independently.
    stray : float
        Share of the catch taken to be strays.
    covariates : tuple of str
        Columns of the trap table whose effect on the log requirement is fitted: numbers by the SD, text (region,
        host, kind of trap) by a ratio to the level with most trap-years; see :func:`covariate_design`.
    starts : mapping, optional
        Biofix of each (site, year), instead of the season's first day.
    level : float
        Confidence level.
    profiles : bool or tuple of str
        Whether intervals are wanted, or of which parameters, by name; without them a fit is several times faster.
    precise : bool
        Whether the log-likelihood is given to 1e-4, for comparing fits; otherwise to 1e-2.
    provenance : mapping, optional
        Facts to keep with the result, such as hashes of the input files.
    progress : callable, optional
        Told in words how far the fit is.

    Returns
    -------
    FlightFit
        Estimates, intervals, and in ``problems`` what the data leave open.

    Raises
    ------
    ModelError
        If a setting is outside what the model defines.
    DataError
        If no trap-year is left to fit.
    FitError
        If the likelihood is not finite anywhere the search looked.

    Notes
    -----
    The model: by heat H a share G((H - m - u) / s) of a flight has flown, m the requirement, s the spread and u the
    shift of the trap-year, a sum of normal parts. The counts of a trap-year's checks, given their total, are
    Dirichlet-multinomial. All shifts are integrated out by adaptive quadrature. Intervals hold the parameter
    values that the profile likelihood does not exclude. Where years (or sites) share a shift, few of them tell little
    about how much they vary: the fall of the likelihood is held against that of a normal mean of so many values whose
    variance is fitted, not against chi-squared, which is too short (:mod:`phenofit.flight.reference`).
    """
    settings = FitSettings(
        season=season,
        heat=heat or HeatSettings(),
        species=species,
        curve=curve,
        flights=flights,
        base_held=None if base == "fit" else parse_temperature(base),
        held=dict(hold or {}),
        base_range=base_range,
        shifts=tuple(shifts),
        counts=counts,
        stray=stray,
        covariates=tuple(covariates),
        biofix=starts is not None,
        level=level,
    )
    data = assemble(trap_years, weather, links, season=season, starts=starts)
    return fit_data(
        data, settings, profiles=profiles, precise=precise, provenance=provenance, progress=progress
    )


def fit_data(
    data: FlightData,
    settings: FitSettings,
    *,
    profiles: bool | tuple[str, ...] = True,
    precise: bool = True,
    provenance: Mapping[str, Any] | None = None,
    progress: Progress | None = None,
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

    Returns
    -------
    FlightFit
        The result.

    Raises
    ------
    ModelError
        If a held parameter has no such name.
    FitError
        If the likelihood is not finite at any start.
    """
    say = progress or (lambda _text: None)
    settings, simplified = simplify(data, settings)
    likelihood = build_likelihood(data, settings, _NODES[0])
    box, template = search_box(likelihood, settings)
    say("looking for the maximum")
    step = np.full(likelihood.layout.size, 0.02)
    step[1 : settings.flights + 1] = 0.5
    top = _climb(likelihood, box, template)
    covariance, interior = _covariance(likelihood, top, box, step)
    found: dict[str, Profile] = {}
    if profiles:
        for attempt in range(3):
            found, best = _profiles(likelihood, top, box, covariance, settings, profiles, say)
            if best.value <= top.value + 0.005 or attempt == 2:
                break
            # A profile climbed above the maximum: begin again from there.
            scale = _factor(covariance)
            top = maximise(likelihood, best.theta, box, scale)
            covariance, interior = _covariance(likelihood, top, box, step)
        converged = top.success and best.value <= top.value + 0.005
    else:
        converged = top.success
    parameters = natural_values(likelihood, settings, top.theta)
    free = np.flatnonzero(box.free)
    names = [public_name(likelihood, settings, k) for k in free[interior]]
    table = pd.DataFrame(covariance[np.ix_(interior, interior)], index=names, columns=names)
    if precise:
        likelihood.nodes = _enough_nodes(likelihood, top.theta, _VALUE_TOLERANCE)
    values, _, shifts = likelihood.by_group(top.theta, False)
    group = settings.group
    frame = pd.DataFrame({"group": likelihood.group_labels, "mean": shifts[:, 0], "sd": shifts[:, 1]})
    if group is None:
        frame = frame.iloc[:0]
    if group == "site":
        frame["group"] = pd.unique(data.table["site"])[frame["group"].to_numpy(dtype=int)]
    fit = FlightFit(
        settings=settings,
        parameters=parameters,
        covariance=table,
        profiles=found,
        log_likelihood=float(values.sum()) + data.constant,
        fitted=int(box.free.sum()),
        converged=converged,
        problems=(),
        data=data.table,
        shifts=frame,
        left_out=data.left_out,
        provenance={"versions": versions(), **dict(provenance or {})},
    )
    return replace(fit, problems=(*simplified, *find_problems(fit, top)))


def _climb(likelihood: Likelihood, box: Box, template: np.ndarray) -> Maximum:
    """Climb from the two likeliest starts on few nodes, and finish the better climb on enough of them."""
    likelihood.nodes = _CLIMB_NODES
    best: Maximum | None = None
    for start in starting_points(likelihood, box, template)[:2]:
        likelihood.forget()
        if not np.isfinite(likelihood(start, False)[0]):
            continue
        scale = first_scale(likelihood, start, box)
        found = maximise(likelihood, start, box, scale, tolerance=0.02)
        if best is None or found.value > best.value:
            best = found
    if best is None:
        raise FitError(
            "the likelihood is not finite at any start: look at the heat sums (is the base range far too warm?) "
            "and at the counts."
        )
    likelihood.nodes = _enough_nodes(likelihood, best.theta, _SEARCH_TOLERANCE)
    # With several flights the quadrature's own error is rough at the third digit of a slope.
    tolerance = 2e-3 if likelihood.flights == 1 else 1e-2
    return maximise(likelihood, best.theta, box, _factor(best.spread), tolerance=tolerance)


def _enough_nodes(likelihood: Likelihood, theta: np.ndarray, tolerance: float) -> tuple[int, int, int]:
    """Return the fewest nodes whose doubling moves the log-likelihood by less than a tolerance.

    Each kind of node is doubled on its own and the moves are added up: the same check as doubling all at once, at
    a fraction of its cost.
    """
    kept = likelihood.nodes
    kinds = [0, *([1] if likelihood.flights > 1 else []), *([2] if likelihood.has_group else [])]
    for nodes in _NODES[:-1]:
        likelihood.nodes = nodes
        value = likelihood(theta, False)[0]
        moved = 0.0
        for kind in kinds:
            doubled = list(nodes)
            doubled[kind] *= 2
            likelihood.nodes = (doubled[0], doubled[1], doubled[2])
            moved += abs(likelihood(theta, False)[0] - value)
            if moved >= tolerance:
                break
        if moved < tolerance:
            break
    else:
        nodes = _NODES[-1]
    likelihood.nodes = kept
    return nodes


def _covariance(
    likelihood: Likelihood, top: Maximum, box: Box, step: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the inverse curvature over the free entries, and which of them are not at a bound."""
    free = np.flatnonzero(box.free)
    matrix = curvature(likelihood, top.theta, box, step)
    interior = ~box.at_edge(top.theta)[free]
    # An entry that the data do not see (an SD near nought) has no curvature; it gets a wide, separate scale.
    unit_step = 50.0 * step[free]  # 1 for logarithms and the base, 25 °C-days for a requirement
    seen = interior & (np.diag(matrix) * unit_step**2 > 1e-3)
    scale = np.where(seen, np.sqrt(np.maximum(np.diag(matrix), 1e-12)), 1.0 / unit_step)
    unit = matrix / np.outer(scale, scale)
    unit[~seen, :] = 0.0
    unit[:, ~seen] = 0.0
    unit[~seen, ~seen] = 1.0
    values, vectors = np.linalg.eigh(0.5 * (unit + unit.T))
    inverse = (vectors / np.maximum(values, 1e-8)) @ vectors.T
    return inverse / np.outer(scale, scale), seen


def _factor(covariance: np.ndarray) -> np.ndarray:
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 1e-10)))


def _profiles(
    likelihood: Likelihood,
    top: Maximum,
    box: Box,
    covariance: np.ndarray,
    settings: FitSettings,
    wanted: bool | tuple[str, ...],
    say: Progress,
) -> tuple[dict[str, Profile], Maximum]:
    found: dict[str, Profile] = {}
    best = top
    for place in np.flatnonzero(box.free):
        public = public_name(likelihood, settings, int(place))
        name = public.removeprefix("log ")
        if not isinstance(wanted, bool) and name not in wanted:
            continue
        say(f"interval of {name.replace('_', ' ')}")
        found[name], highest = profile_entry(
            likelihood,
            top,
            box,
            covariance,
            int(place),
            name=name,
            logarithmic=public.startswith("log "),
            level=settings.level,
            degrees=degrees_of_error(name, settings, likelihood.data.table),
        )
        if highest.value > best.value:
            best = highest
    return found, best
