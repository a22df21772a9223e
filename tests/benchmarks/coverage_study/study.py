"""One network of a scenario: drawn, fitted and validated as a user would, and what came of it."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

import pandas as pd

import phenofit
import phenofit.flight
from phenofit import FlightFit, PhenofitError, PublishedThreshold, Records, Scheme
from tests.benchmarks.coverage_study.scenarios import KNOWN, Scenario
from tests.recovery.other_truths import DrawnNetwork, draw_network, linear_requirements
from tests.recovery.real_networks import BASE

INTERVALS, HELD_OUT = "intervals", "held-out"
PARTS = (INTERVALS, HELD_OUT)
_EVENT = "flight_50"
_DAY = 86400.0


@dataclass(frozen=True)
class Task:
    """One part of the study of one network."""

    scenario: str
    number: int
    part: str


@dataclass(frozen=True)
class Interval:
    """One 95 % interval and the value it is about; an open end is None."""

    name: str
    estimate: float
    low: float | None
    high: float | None
    truth: float

    @property
    def holds(self) -> bool:
        """Whether the truth is inside; an open end holds everything beyond."""
        return (self.low is None or self.low <= self.truth) and (self.high is None or self.truth <= self.high)


@dataclass(frozen=True)
class HeldOut:
    """One held-out date: errors in days, predicted minus observed; None where a forecast has no date."""

    year: int
    fitted: float | None
    oracle: float | None  # True parameters, weather of the trap.
    station_oracle: float | None  # True parameters, weather of the station.


@dataclass(frozen=True)
class Record:
    """What came of one task."""

    scenario: str
    number: int
    part: str
    seconds: float  # Of the fit with the intervals that are judged, or of the validation.
    failed: str = ""  # Why there is no result.
    intervals: tuple[Interval, ...] = ()
    converged: bool = True
    statements: tuple[str, ...] = ()  # Problems of the fit, and what its checks report.
    verdict: str = ""  # On the true published pair.
    errors: tuple[HeldOut, ...] = ()

    @property
    def task(self) -> Task:
        """The task that this came of."""
        return Task(self.scenario, self.number, self.part)

    def line(self) -> dict[str, object]:
        """Return the record for a line of JSON."""
        return asdict(self)

    @classmethod
    def from_line(cls, line: Mapping[str, Any]) -> Record:
        """Return the record of a line of JSON."""
        intervals = tuple(Interval(**item) for item in line["intervals"])
        errors = tuple(HeldOut(**item) for item in line["errors"])
        kept = {**line, "intervals": intervals, "errors": errors, "statements": tuple(line["statements"])}
        return cls(**kept)


def study(task: Task) -> Record:
    """Draw a network and do one part of its study."""
    scenario = KNOWN[task.scenario]
    place = scenario.places[task.number % len(scenario.places)]
    network = draw_network(scenario.truth, place, seed=(91, task.number))
    do = _intervals if task.part == INTERVALS else _held_out
    begun = time.perf_counter()
    try:
        return do(task, scenario, network, place)
    except PhenofitError as error:
        return Record(**asdict(task), seconds=time.perf_counter() - begun, failed=str(error))


def _intervals(task: Task, scenario: Scenario, network: DrawnNetwork, place: str) -> Record:
    records = network.records()
    begun = time.perf_counter()
    requirements = {
        f"requirement_{g}": value
        for g, value in enumerate(linear_requirements(scenario.truth, place), start=1)
        if scenario.has_base
    }
    truths = {"base": BASE, **requirements}
    fit = phenofit.fit_flights(records, scenario.model(), profiles=tuple(truths))
    seconds = time.perf_counter() - begun
    found: list[Interval] = []
    verdict = ""
    if scenario.has_base:
        found = _read(fit, truths)
        # The same catches: their curve is not chosen again.
        model = replace(scenario.model(), curve=fit.settings.curve)
        held = phenofit.fit_flights(records, replace(model, base=BASE), profiles=tuple(requirements))
        found += _read(held, requirements, ", base held")
        verdict = phenofit.compare_published(records, model, true_pair(scenario)).verdict
    return Record(
        **asdict(task),
        seconds=seconds,
        intervals=tuple(found),
        converged=fit.converged,
        statements=_statements(fit, records),
        verdict=verdict,
    )


def _read(fit: FlightFit, truths: Mapping[str, float], case: str = "") -> list[Interval]:
    return [
        Interval(name + case, fit.parameters[name], *fit.interval(name), truth)
        for name, truth in truths.items()
    ]


def true_pair(scenario: Scenario) -> PublishedThreshold:
    """Return the true base and requirement of the first flight as a source would print them."""
    return PublishedThreshold(
        id="true",
        species="",
        event=_EVENT,
        flight=1,
        amount=scenario.truth.flights[0].median,
        unit="degC d",
        base=BASE,
        upper=scenario.upper,
        cutoff=None if scenario.upper is None else "horizontal",
        method="single sine",
        start=scenario.truth.begin,
    )


def _statements(fit: FlightFit, records: Records) -> tuple[str, ...]:
    """Return the problems of a fit, and what its checks of strays, night weather and stations report."""
    said = list(fit.problems)
    claimed = int(phenofit.flight.stray_checks(fit, records)["claimed"].sum())
    if claimed:
        said.append(f"Checks whose catch is mostly strays: {claimed}.")
    if fit.settings.night_weather is None:
        night = phenofit.flight.night_weather_test(fit, records)
        said += [night.sentence()] if night.doubtful else []
    stations = phenofit.flight.station_check(fit, records)
    return (*said, *([stations.sentence()] if stations.found else []))


def _held_out(task: Task, scenario: Scenario, network: DrawnNetwork, place: str) -> Record:
    begun = time.perf_counter()
    table = phenofit.cross_validate(network.records(), scenario.model(), Scheme("year", events=(_EVENT,)))
    seconds = time.perf_counter() - begun
    fitted = table[table["forecaster"] == "fitted"]
    return Record(**asdict(task), seconds=seconds, errors=_errors(fitted, network.events))


def _errors(fitted: pd.DataFrame, events: pd.DataFrame) -> tuple[HeldOut, ...]:
    """Return the errors of the fitted forecasts beside those of the oracle on the same held-out dates."""
    rows = fitted.merge(events, on=["trap", "year", "flight"], how="left", validate="one_to_one")
    days = {
        "fitted": rows["error_days"],
        "oracle": (rows["date"] - rows["observed"]).dt.total_seconds() / _DAY,
        "station_oracle": (rows["station_date"] - rows["observed"]).dt.total_seconds() / _DAY,
    }
    table = pd.DataFrame(days).round(3).astype(object)
    table = table.where(table.notna(), None)
    return tuple(
        HeldOut(int(year), **{str(k): v for k, v in row.items()})
        for year, row in zip(rows["year"], table.to_dict("records"), strict=True)
    )
