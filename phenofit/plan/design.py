"""One design of a network: its drawn records, their expected information, and the fits to them."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import FitError
from phenofit.flight.estimate.maximise import Box, curvature
from phenofit.flight.estimate.setup import build_likelihood, vector_of
from phenofit.flight.fitting import fit_data
from phenofit.flight.intervals.reference_distribution import degrees_of_error
from phenofit.flight.likelihood.flight_data import FlightData, assemble
from phenofit.flight.likelihood.log_likelihood import Likelihood
from phenofit.flight.likelihood.parameters import INDEPENDENT
from phenofit.plan.assumed_truth import PlanTruth
from phenofit.plan.date_profiles import DateErrors, median_widths
from phenofit.plan.weather_seasons import PlanWeather, check_plan
from phenofit.records import Records
from phenofit.simulate import NetworkTruth, simulate_network
from phenofit.traps import build_trap_years

_SMALLEST_SD = 0.5  # below it a shift SD cannot be distinguished from zero, and is not fitted in the expected information
_CALM = 1e5  # above it counts are those of independent moths
_NODES = (15, 9, 9)
_STEP, _HEAT_STEP = (
    0.02,
    0.5,
)  # steps of the second derivatives: of logarithms and the base [degC], of requirements [degC d]


@dataclass(frozen=True)
class Design:
    """A planned network."""

    sites: int  # Sites with a trap each, and seasons.
    years: int
    checks_per_week: float  # Checks of a trap.
    moths: float  # Mean catch of a trap in a season.


@dataclass(frozen=True)
class Expected:
    """What a design is expected to give; arrays hold a value for each flight."""

    base_width: (
        float  # Median width of the interval of the base [degC]; NaN where that is open, or the base held.
    )
    requirement_width: npt.NDArray[np.float64]  # Median width of the intervals of the requirements [degC d].
    # Mean absolute error of a held-out date, and the part of it that would remain if base and requirement were
    # known [d].
    error_days: npt.NDArray[np.float64]
    least_days: npt.NDArray[np.float64]


@dataclass(frozen=True)
class Simulated:
    """What the fit to one drawn network gave; NaN for an end left open or a fit that failed."""

    base_width: float
    base_covered: bool
    requirement_width: npt.NDArray[np.float64]
    requirement_covered: npt.NDArray[np.bool_]
    error_days: npt.NDArray[np.float64]
    failed: bool


def draw_records(truth: PlanTruth, weather: PlanWeather, design: Design, seed: tuple[int, ...]) -> FlightData:
    """Draw the catches of a design on seasons drawn from the past."""
    rng = np.random.default_rng(list(seed))
    settings = truth.settings
    drawn = weather.drawn(design.years, settings.season, rng)
    first_year = int(str(drawn["time"].to_numpy()[0])[:4])
    names = [f"site {k + 1}" for k in range(design.sites)]
    station = [weather.stations[k % len(weather.stations)] for k in range(design.sites)]
    traps = pd.DataFrame(
        {"trap": names, "site": names, "latitude": 0.0, "longitude": 0.0, "elevation_m": np.nan}
    )
    catches, _ = simulate_network(
        weather=drawn,
        traps=traps,
        season=settings.season,
        heat=settings.heat,
        truth=NetworkTruth(
            base=truth.base,
            requirements=truth.requirements,
            spreads=truth.spreads,
            shares=truth.shares,
            share_concentration=truth.share_concentration,
            shift_sd_year=truth.shift_sd_year,
            shift_sd_site=truth.shift_sd_site,
            shift_sd=truth.shift_sd,
            concentration=truth.concentration,
            moths_per_trap_year=design.moths,
            curve=settings.curve,
        ),
        checks=check_plan(truth, weather, design.checks_per_week),
        years=range(first_year, first_year + design.years),
        links=dict(zip(names, station, strict=True)),
        seed=int(rng.integers(2**31)),
    )
    links = pd.DataFrame({"trap": names, "station": station})
    return assemble(Records(build_trap_years(traps, catches, settings.season), drawn, links, settings.season))


def information(truth: PlanTruth, data: FlightData) -> npt.NDArray[np.float64]:
    """Return the information in drawn records: minus the second derivatives of the log-likelihood at the truth."""
    likelihood = build_likelihood(data, truth.settings, _NODES)
    theta, layout = _vector(truth, likelihood), likelihood.layout
    free = np.array([_is_fitted(truth, name) for name in layout.names])
    endless = np.full(layout.size, np.inf)
    step = np.full(layout.size, _STEP)
    step[layout.places.requirement : layout.places.spread] = _HEAT_STEP
    return curvature(likelihood, theta, Box(-endless, endless, free), step)


def _vector(truth: PlanTruth, likelihood: Likelihood) -> npt.NDArray[np.float64]:
    values = {
        "base": truth.base,
        "stray_share": truth.settings.stray_share,
        "concentration": min(truth.concentration, INDEPENDENT),
        "shift_sd_year": max(truth.shift_sd_year, 1e-3),
        "shift_sd_site": max(truth.shift_sd_site, 1e-3),
        "shift_sd": max(truth.shift_sd, 1e-3),
    }
    for g in range(truth.settings.flights):
        values[f"requirement_{g + 1}"] = truth.requirements[g]
        values[f"spread_{g + 1}"] = truth.spreads[g]
        if g:
            values[f"size_{g + 1}"] = truth.sizes[g - 1]
            values[f"size_sd_{g + 1}"] = truth.size_sds[g - 1]
    return vector_of(values, likelihood.layout, truth.settings.group, truth.settings.heat.upper)


def _is_fitted(truth: PlanTruth, name: str) -> bool:
    settings = truth.settings
    shared = {"year": truth.shift_sd_year, "site": truth.shift_sd_site, None: 0.0}[settings.group]
    return {
        "base": settings.base_held is None,
        "log concentration": settings.counts != "multinomial" and truth.concentration < _CALM,
        "log group_sd": shared > _SMALLEST_SD,
        "log shift_sd": "trap-year" in settings.shifts and truth.shift_sd > _SMALLEST_SD,
        "logit stray": settings.stray_fitted,
        "upper": settings.upper_range is not None,
        "log cross_sd": settings.crossed and truth.shift_sd_site > _SMALLEST_SD,
        "log abundance": False,
        "log abundance_sd": False,
        "night": False,  # a plan leaves the effect out
    }.get(name, True)


def expected(
    truth: PlanTruth, weather: PlanWeather, design: Design, per_unit: npt.NDArray[np.float64]
) -> Expected:
    """Return widths and errors of a design from its expected information."""
    settings = truth.settings
    covariance = _inverse(per_unit)
    held = settings.base_held is not None
    flights = settings.flights
    at = 0 if held else 1
    slope, rate = _slope_and_rate(truth, weather)
    days, least = np.empty(flights), np.empty(flights)
    for g in range(flights):
        variance = np.full(slope.shape[1], covariance[at + g, at + g])
        if not held:
            variance += slope[g] ** 2 * covariance[0, 0] - 2.0 * slope[g] * covariance[0, at + g]
        normal = math.sqrt(2.0 / math.pi)
        days[g] = normal * float(np.mean(np.sqrt(variance + truth.shift_total**2) / rate[g]))
        least[g] = normal * truth.shift_total * float(np.mean(1.0 / rate[g]))
    base, widths = median_widths(
        truth,
        weather,
        sites=design.sites,
        years=design.years,
        errors=_date_errors(truth, design, per_unit[at:, at:]),
        degrees=_degrees(truth, design),
    )
    return Expected(base if 0.0 < base < math.inf else math.nan, widths, days, least)


def _date_errors(truth: PlanTruth, design: Design, per_unit: npt.NDArray[np.float64]) -> DateErrors:
    """Return the errors of date and duration from one trap-year, from the information with the base known."""
    flights = truth.settings.flights
    known = design.sites * design.years * np.diag(_inverse(per_unit))
    variance, spread = known[:flights], known[flights : 2 * flights]
    shared = {"year": design.sites, "site": design.years, None: 0}[truth.settings.group]
    shared_sd = truth.shift_sd_site if truth.settings.group == "site" else truth.shift_sd_year
    # Independent moths give the most information.
    least = np.square(truth.spreads) / (design.moths * np.array(truth.shares))
    date = np.maximum(variance - shared * shared_sd**2 - truth.shift_sd**2, least)
    return DateErrors(np.sqrt(date), np.sqrt(spread))


def _degrees(truth: PlanTruth, design: Design) -> float:
    """Return the degrees of freedom of the intervals of a fit to the design, which leaves out a part of the shift with one group only."""
    number = {"year": design.years, "site": design.sites, "trap-year": design.sites * design.years}
    shifts = tuple(part for part in truth.settings.shifts if number.get(part, 0) > 1)
    pairs = [(site, year) for year in range(design.years) for site in range(design.sites)]
    return degrees_of_error(
        "base", replace(truth.settings, shifts=shifts), pd.DataFrame(pairs, columns=["site", "year"])
    )


def _inverse(matrix: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    scale = np.sqrt(np.maximum(np.diag(matrix), 1e-12))
    values, vectors = np.linalg.eigh(matrix / np.outer(scale, scale))
    return np.asarray((vectors / np.maximum(values, 1e-6)) @ vectors.T / np.outer(scale, scale))


def _slope_and_rate(
    truth: PlanTruth, weather: PlanWeather
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the slope of the heat in the base [d] and the heat per day [degC] at each requirement and season."""
    total, slope = weather.heat(truth.base, truth.settings.heat)
    row = np.arange(len(total))
    slopes, rates = [], []
    for requirement in truth.requirements:
        # A week around the event, so that one cold day does not give an infinite delay.
        day = np.clip((total < requirement).sum(axis=1), 4, total.shape[1] - 4)
        slopes.append(slope[row, day])
        rates.append(np.maximum((total[row, day + 3] - total[row, day - 4]) / 7.0, 0.2))
    return np.array(slopes), np.array(rates)


def simulated(truth: PlanTruth, weather: PlanWeather, design: Design, seed: tuple[int, ...]) -> Simulated:
    """Draw a network, fit it, and see how wide its intervals are and how far a held-out date is off."""
    settings = truth.settings
    flights = settings.flights
    names = [f"requirement_{g + 1}" for g in range(flights)]
    nothing = np.full(flights, np.nan)
    wanted = (*(("base",) if settings.base_held is None else ()), *names)
    try:
        fit = fit_data(
            draw_records(truth, weather, design, seed), replace(settings, hold={}), profiles=wanted
        )
    except FitError:
        return Simulated(math.nan, False, nothing, np.zeros(flights, dtype=bool), nothing, True)
    width, covered = {}, {}
    truths = dict(zip(("base", *names), (truth.base, *truth.requirements), strict=True))
    for name in wanted:
        low, high = fit.interval(name)
        width[name] = math.nan if low is None or high is None else high - low
        covered[name] = (low is None or low <= truths[name]) and (high is None or truths[name] <= high)
    found = [fit.requirement(g + 1) for g in range(flights)]
    return Simulated(
        width.get("base", math.nan),
        covered.get("base", True),
        np.array([width[n] for n in names]),
        np.array([covered[n] for n in names]),
        _held_out(truth, weather, fit.base, found, seed),
        False,
    )


def _held_out(
    truth: PlanTruth, weather: PlanWeather, base: float, requirements: list[float], seed: tuple[int, ...]
) -> npt.NDArray[np.float64]:
    """Return the mean absolute difference of predicted and true dates over all seasons, new shifts drawn [d]."""
    predicted, true = (weather.heat(b, truth.settings.heat)[0] for b in (base, truth.base))
    rng = np.random.default_rng([*seed, 1])
    out = np.empty(len(requirements))
    for g, requirement in enumerate(requirements):
        off = []
        for row in range(len(true)):
            at = _crossing(true[row], truth.requirements[g] + truth.shift_total * rng.standard_normal(8))
            off.append(np.abs(_crossing(predicted[row], np.array([requirement])) - at))
        out[g] = float(np.mean(off))
    return out


def _crossing(total: npt.NDArray[np.float64], amount: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    # Days without heat make flat stretches; a rise too small to count keeps the inverse single-valued.
    return np.interp(amount, total + 1e-9 * np.arange(len(total)), np.arange(len(total), dtype=np.float64))
