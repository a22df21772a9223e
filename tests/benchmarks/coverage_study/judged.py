"""Records against targets: a measure with its error, its target, and whether that is met."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from tests.benchmarks.coverage_study.scenarios import KNOWN, Targets
from tests.benchmarks.coverage_study.study import INTERVALS, HeldOut, Record

MET, NOT_MET, BY_REPORT = "met", "not met", "met by report"
WITHIN_ERROR = "not met, within two standard errors"
REFUTED = "not consistent"
FAR_DAYS = 60.0
_MOST_REFUTED = 0.05
_DISAGREED = "curvature at the maximum"


@dataclass(frozen=True)
class Measure:
    """One measure of a scenario; without a target it has no verdict."""

    scenario: str
    name: str
    count: int  # Networks (or forecasts) behind it.
    value: float
    error: float | None = None  # Standard error, None where it is not known.
    least: float | None = None  # Target.
    most: float | None = None
    verdict: str = ""


def binomial_error(hits: int, count: int) -> float:
    """Return the standard error of a share, above zero even where all or none were hit (Agresti and Coull 1998)."""
    share = (hits + 2.0) / (count + 4.0)
    return math.sqrt(share * (1.0 - share) / (count + 4.0))


def judge(records: Iterable[Record]) -> list[Measure]:
    """Return the measures of every scenario that has records, in the order of the scenarios."""
    records = list(records)
    found: list[Measure] = []
    for name in KNOWN:
        here = [record for record in records if record.scenario == name]
        if here:
            found += _of_scenario(name, here)
    return found


def _of_scenario(name: str, records: Sequence[Record]) -> Iterator[Measure]:
    scenario, targets = KNOWN[name], KNOWN[name].targets
    fits = [r for r in records if r.part == INTERVALS and not r.failed]
    validations = [r for r in records if r.part != INTERVALS and not r.failed]
    reports = [
        any(word in text.lower() for text in r.statements for word in scenario.report_words) for r in fits
    ]
    enough = targets.reported is not None and bool(fits) and float(np.mean(reports)) >= targets.reported
    yield from _coverage(name, fits, targets, enough=enough and targets.instead)
    if fits and scenario.report_words:
        reported = _share(name, "misfit reported", reports, least=targets.reported)
        # Accepted instead of coverage, it is judged there.
        yield _with_verdict(reported, "") if targets.instead else reported
    if scenario.has_base and fits:
        refuted = [r.verdict.startswith(REFUTED) for r in fits]
        yield _share(name, "true pair refuted", refuted, most=_MOST_REFUTED)
    if fits:
        disagreed = [any(_DISAGREED in text for text in r.statements) for r in fits]
        yield _share(name, "curvature and profile disagreed", disagreed)
        yield _share(name, "not converged", [not r.converged for r in fits])
        yield Measure(name, "seconds per fit", len(fits), float(np.mean([r.seconds for r in fits])))
    if validations:
        yield from _held_out(name, validations, targets)
    failed = sum(bool(r.failed) for r in records)
    yield _verdict(Measure(name, "failed", len(records), failed, most=0.0))


def _coverage(name: str, fits: Sequence[Record], targets: Targets, *, enough: bool) -> Iterator[Measure]:
    """Return the coverage of each interval, its mean width where it is closed, and how often it is open."""
    for interval in dict.fromkeys(i.name for r in fits for i in r.intervals):
        here = [i for r in fits for i in r.intervals if i.name == interval]
        measure = _share(
            name,
            f"coverage of {interval}",
            [i.holds for i in here],
            least=targets.coverage[0],
            most=targets.coverage[1],
        )
        yield _with_verdict(measure, BY_REPORT) if enough and measure.verdict != MET else measure
        widths = [i.high - i.low for i in here if i.low is not None and i.high is not None]
        yield _share(name, f"open intervals of {interval}", [None in (i.low, i.high) for i in here])
        if widths:
            yield Measure(
                name, f"width of {interval}", len(widths), float(np.mean(widths)), _standard(widths)
            )


def _held_out(name: str, validations: Sequence[Record], targets: Targets) -> Iterator[Measure]:
    errors = [e for r in validations for e in r.errors]
    fitted = [abs(e.fitted) for e in errors if e.fitted is not None]
    yield Measure(name, "held-out MAE, days", len(fitted), float(np.mean(fitted)))
    for words, oracle, most in (
        ("MAE ratio", "oracle", targets.error_ratio),
        ("MAE ratio, oracle with station weather", "station_oracle", None),
    ):
        ratio, error = mae_ratio([r.errors for r in validations], oracle)
        yield _verdict(Measure(name, words, len(validations), ratio, error, most=most))
    far = sum(e.fitted is None or abs(e.fitted) > FAR_DAYS for e in errors)
    yield _verdict(Measure(name, f"over {FAR_DAYS:g} days off or undated", len(errors), far, most=0.0))
    seconds = float(np.mean([r.seconds for r in validations]))
    yield Measure(name, "seconds per validation", len(validations), seconds)


def mae_ratio(networks: Sequence[Sequence[HeldOut]], oracle: str) -> tuple[float, float | None]:
    """Return the ratio of the mean absolute errors, and its standard error with networks as clusters."""
    sums = []
    for errors in networks:
        pairs = [(e.fitted, getattr(e, oracle)) for e in errors]
        known = np.array([p for p in pairs if None not in p], dtype=float).reshape(-1, 2)
        sums.append(np.abs(known).sum(axis=0))
    table = np.array(sums)
    fitted, true = table.sum(axis=0)
    ratio, count = float(fitted / true), len(table)
    if count < 2:
        return ratio, None
    rest = table[:, 0] - ratio * table[:, 1]
    return ratio, math.sqrt(count / (count - 1) * float(np.sum(rest**2))) / float(true)


def _share(
    scenario: str, name: str, hits: Sequence[bool], *, least: float | None = None, most: float | None = None
) -> Measure:
    number = sum(hits)
    error = binomial_error(number, len(hits))
    return _verdict(Measure(scenario, name, len(hits), number / len(hits), error, least, most))


def _standard(values: Sequence[float]) -> float | None:
    return float(np.std(values, ddof=1)) / math.sqrt(len(values)) if len(values) > 1 else None


def _verdict(measure: Measure) -> Measure:
    """Return a measure with the verdict on its target."""
    if measure.least is None and measure.most is None:
        return measure
    below = -math.inf if measure.least is None else measure.least - measure.value
    above = -math.inf if measure.most is None else measure.value - measure.most
    miss = max(below, above)
    near = measure.error is not None and miss <= 2.0 * measure.error
    return _with_verdict(measure, MET if miss <= 1e-12 else WITHIN_ERROR if near else NOT_MET)


def _with_verdict(measure: Measure, verdict: str) -> Measure:
    return Measure(**{**vars(measure), "verdict": verdict})


def statement_shares(records: Iterable[Record]) -> dict[str, dict[str, float]]:
    """Return, for each scenario, in what share of the fits a statement was made; numbers in it are left out."""
    found: dict[str, dict[str, float]] = {}
    records = [r for r in records if r.part == INTERVALS and not r.failed]
    for name in (n for n in KNOWN if any(r.scenario == n for r in records)):
        here = [r for r in records if r.scenario == name]
        said = Counter(text for r in here for text in {_without_numbers(s) for s in r.statements})
        found[name] = {text: count / len(here) for text, count in said.most_common()}
    return found


def _without_numbers(text: str) -> str:
    return re.sub(r"-?\d+(\.\d+)?(e[+-]?\d+)?", "#", text)
