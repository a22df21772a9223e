"""Networks of several sizes: expected widths of the intervals, and expected errors of the dates."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import ModelError
from phenofit.flight.result import FlightFit
from phenofit.plan.assumed_truth import PlanTruth, truth_of_fit
from phenofit.plan.design import Design, Simulated, draw_records, expected, information, simulated
from phenofit.plan.weather_seasons import PlanWeather, check_intervals, check_plan, plan_weather

if TYPE_CHECKING:
    import xarray as xr

PLAN_COLUMNS = (
    "sites", "years", "checks_per_week", "moths_per_trap_year", "flight", "level", "base_width_degC",
    "requirement_width_degC_d", "held_out_error_days", "least_error_days", "simulated_networks",
    "simulated_failed", "simulated_base_width_degC", "simulated_base_open", "simulated_base_covered",
    "simulated_requirement_width_degC_d", "simulated_requirement_open", "simulated_requirement_covered",
    "simulated_error_days",
)  # fmt: skip
_YEARS = 5  # seasons of each network that the expected information of a season is taken from

_Task = tuple[PlanTruth, PlanWeather, Design, tuple[int, ...]]


@dataclass(frozen=True)
class NetworkSizes:
    """The sizes of networks to plan; every combination is planned.

    Parameters
    ----------
    sites, years : sequence of int
        Numbers of sites (a trap each) and of seasons.
    checks_per_week : sequence of float
        Checks of a trap in a week: 1 to 7, or 0.5 for one in two weeks.
    moths : sequence of float
        Mean catch of a trap in a season.

    Raises
    ------
    ModelError
        If a number is not possible.
    """

    sites: Sequence[int] = (8,)
    years: Sequence[int] = (5,)
    checks_per_week: Sequence[float] = (1.0,)
    moths: Sequence[float] = (60.0,)

    def __post_init__(self) -> None:
        for name in ("sites", "years", "moths"):
            values = getattr(self, name)
            if not values or min(values) < 1:
                raise ModelError(f"{name} must be numbers from 1 up, not {list(values)}.")
        if any(s * y < 2 for s, y in product(self.sites, self.years)):
            raise ModelError("one site in one year fixes nothing; plan two trap-years or more.")
        for rate in self.checks_per_week:
            check_intervals(rate)


_ONE_SIZE = NetworkSizes()


def plan_network(
    truth: PlanTruth | FlightFit,
    weather: xr.Dataset,
    sizes: NetworkSizes = _ONE_SIZE,
    *,
    stations: Sequence[str] | None = None,
    networks: int = 20,
    simulations: int = 0,
    seed: int = 1,
    executor: Executor | None = None,
    progress: Callable[[str], None] | None = None,
) -> pd.DataFrame:
    """Return what networks of several sizes would achieve.

    Parameters
    ----------
    truth : PlanTruth or FlightFit
        Values taken to be true, and the model to be fitted; a fit to earlier records gives both.
    weather : xarray.Dataset
        Daily ``tmin`` and ``tmax`` [degC] on (station, time); its whole seasons are drawn again.
    sizes : NetworkSizes
        Numbers of sites, seasons, checks and moths.
    stations : sequence of str, optional
        Stations assigned to the sites in turn; all by default.
    networks : int
        Drawn networks that the expected information of each combination is averaged over.
    simulations : int
        Networks drawn and fitted for each combination to confirm the expectation; 0 for none.
    seed : int
        Same seed, same table.
    executor : concurrent.futures.Executor, optional
        Runs the draws and fits; the table does not depend on it.
    progress : callable, optional
        Gets a sentence at each step.

    Returns
    -------
    DataFrame
        A row for each combination and flight, columns ``PLAN_COLUMNS``: expected widths of the intervals of base
        [degC] and requirement [degC d] at the level of the model, expected mean absolute error of half of the
        flight at a new place in a new season with its weather known [d], and the part of it that no network
        removes; then what the simulations gave (median widths, shares of open and of covering intervals).
        ``attrs["notes"]`` holds sentences about the plan, ``attrs["invented"]`` whether its weather is invented.

    Raises
    ------
    ModelError
        If a number is not possible, or the weather has no whole season.

    Notes
    -----
    The expected information is the mean, over drawn networks, of minus the second derivatives of the log-likelihood at the
    true values. It is additive over the groups that share a shift, so that a season's is taken from a few drawn ones and
    multiplied; with a shift shared by site, networks of each length are drawn. The widths are medians over drawn flight dates
    of the profile likelihood of those dates, with the errors that the information gives (see
    :mod:`phenofit.plan.date_profiles`). The width of the base is missing where half of its intervals are open. The
    widths were 2 % less to 9 % more than those of 60 to 150 fitted networks of 4 or 8 sites and 5 or 10 years.

    Examples
    --------
    >>> from phenofit.flight import FitSettings
    >>> from phenofit.simulate import simulate_weather
    >>> stations = pd.DataFrame({"station": ["A"], "latitude": [42.0], "longitude": [-97.0], "elevation_m": [500.0]})
    >>> weather = simulate_weather(stations, first="2015-01-01", last="2020-12-31", seed=1)
    >>> from phenofit.seasons import Season
    >>> model = FitSettings(Season.parse("01-01", "10-31"))
    >>> truth = PlanTruth(model, 10.0, (500.0,), (60.0,), shift_sd_year=15.0, shift_sd=20.0, concentration=10.0)
    >>> table = plan_network(truth, weather, NetworkSizes(sites=[6], years=[4, 8]), networks=1)
    >>> table["base_width_degC"].is_monotonic_decreasing
    True
    """
    values = truth_of_fit(truth) if isinstance(truth, FlightFit) else truth
    if networks < 1 or simulations < 0:
        raise ModelError("networks must be 1 or more, and simulations not below 0.")
    past = plan_weather(weather, values.settings.season, None if stations is None else tuple(stations))
    say = progress or (lambda _text: None)
    designs = [
        Design(*map(_number, parts))
        for parts in product(sizes.sites, sizes.years, sizes.checks_per_week, sizes.moths)
    ]
    for rate in sizes.checks_per_week:
        check_plan(values, past, rate)
    known = _information(values, past, designs, networks, seed, executor, say)
    rows: list[dict[str, object]] = []
    found = _simulations(values, past, designs, simulations, seed, executor, say)
    for k, design in enumerate(designs):
        give = expected(values, past, design, known[design])
        fits = [next(found) for _ in range(simulations)]
        say(f"{design.sites} sites, {design.years} years planned ({k + 1} of {len(designs)})")
        for g in range(values.settings.flights):
            rows.append(
                {
                    "sites": design.sites,
                    "years": design.years,
                    "checks_per_week": design.checks_per_week,
                    "moths_per_trap_year": design.moths,
                    "flight": g + 1,
                    "level": values.settings.level,
                    "base_width_degC": give.base_width,
                    "requirement_width_degC_d": float(give.requirement_width[g]),
                    "held_out_error_days": float(give.error_days[g]),
                    "least_error_days": float(give.least_days[g]),
                    **_summary(fits, g, base=values.settings.base_held is None),
                }
            )
    table = pd.DataFrame(rows, columns=list(PLAN_COLUMNS))
    invented = str(weather.attrs.get("invented", "")) == "1"
    table.attrs["invented"] = invented
    notes = _notes(values, past, sizes.years, invented)
    if values.settings.base_held is None and table["base_width_degC"].isna().any():
        notes += (
            "Where no width of the base is given, its interval is open in half of such networks or more.",
        )
    table.attrs["notes"] = notes
    return table


def _number(value: float) -> Any:
    return int(value) if float(value).is_integer() else float(value)


def _information(
    truth: PlanTruth,
    weather: PlanWeather,
    designs: Sequence[Design],
    networks: int,
    seed: int,
    executor: Executor | None,
    say: Callable[[str], None],
) -> dict[Design, npt.NDArray[np.float64]]:
    """Return the expected information of each design; the same draws serve designs that differ in years only."""
    by_site = truth.settings.group == "site"
    drawn = {d: d if by_site else replace(d, years=_YEARS) for d in designs}
    keys = list(dict.fromkeys(drawn.values()))
    tasks: list[_Task] = [(truth, weather, key, (seed, r)) for key in keys for r in range(networks)]
    results = executor.map(_inform, tasks) if executor is not None else map(_inform, tasks)
    sums: dict[Design, npt.NDArray[np.float64]] = {}
    for done, (task, matrix) in enumerate(zip(tasks, results, strict=True), start=1):
        key = task[2]
        sums[key] = sums.get(key, 0.0) + matrix / networks
        say(f"network drawn for its information ({done} of {len(tasks)})")
    return {d: sums[drawn[d]] * (d.years / drawn[d].years) for d in designs}


def _inform(task: _Task) -> npt.NDArray[np.float64]:
    return information(task[0], draw_records(*task))


def _simulations(
    truth: PlanTruth,
    weather: PlanWeather,
    designs: Sequence[Design],
    count: int,
    seed: int,
    executor: Executor | None,
    say: Callable[[str], None],
) -> Iterator[Simulated]:
    tasks: list[_Task] = [(truth, weather, d, (seed, 1000 + r)) for d in designs for r in range(count)]
    results = executor.map(_simulate, tasks) if executor is not None else map(_simulate, tasks)
    for done, result in enumerate(results, start=1):
        say(f"network drawn and fitted ({done} of {len(tasks)})")
        yield result


def _simulate(task: _Task) -> Simulated:
    return simulated(*task)


def _summary(fits: Sequence[Simulated], g: int, *, base: bool) -> dict[str, object]:
    good = [f for f in fits if not f.failed]
    out: dict[str, object] = {"simulated_networks": len(fits), "simulated_failed": len(fits) - len(good)}
    if not good:
        return out
    widths = np.array([f.requirement_width[g] for f in good])
    out |= {
        "simulated_requirement_width_degC_d": _median(widths),
        "simulated_requirement_open": float(np.isnan(widths).mean()),
        "simulated_requirement_covered": float(np.mean([f.requirement_covered[g] for f in good])),
        "simulated_error_days": float(np.mean([f.error_days[g] for f in good])),
    }
    if base:
        widths = np.array([f.base_width for f in good])
        out |= {
            "simulated_base_width_degC": _median(widths),
            "simulated_base_open": float(np.isnan(widths).mean()),
            "simulated_base_covered": float(np.mean([f.base_covered for f in good])),
        }
    return out


def _median(widths: npt.NDArray[np.float64]) -> float:
    """Return the median width; an open interval is the widest, and makes the median open where it is one of them."""
    middle = float(np.median(np.where(np.isnan(widths), np.inf, widths)))
    return middle if np.isfinite(middle) else np.nan


def _notes(truth: PlanTruth, weather: PlanWeather, years: Sequence[int], invented: bool) -> tuple[str, ...]:
    s = truth.settings
    terms = ", ".join(f"{r:.0f} °C-days" for r in truth.requirements)
    assumed = (
        f"Taken to be true: base {truth.base:.1f} °C, requirement {terms} ({s.heat.describe(round(truth.base, 1))}, from "
        f"{s.start_words}); weather drawn from {weather.seasons} seasons at {len(weather.stations)} stations."
    )
    notes = [assumed, *truth.notes]
    if invented:
        notes.append("The weather is invented.")
    if weather.seasons < 5:
        notes.append(
            f"Only {weather.seasons} whole seasons of weather: warm and cold years are hardly sampled."
        )
    if s.upper_range is not None:
        notes.append("The widths take the upper threshold as known: where it is fitted, intervals are wider.")
    if s.group == "year" and min(years) < 4:
        notes.append("For fewer than four years the expected widths are rough; confirm them by simulation.")
    return tuple(notes)
