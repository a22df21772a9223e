"""How often the verdict on a fit warns: where the model holds (false alarms), and where it does not (power).

``python -m tests.benchmarks.bench_goodness --networks 60 --processes 2 --keep FILE`` draws networks of 8 sites and 5 years
on real weather, fits each as a user does, and counts the warnings of each test of the verdict. ``--table`` prints the kept
records and writes ``reports/goodness.md``. The drift over the years is left out: it needs a validation, and its p value is
that of a regression.

``--ceiling`` also fits the true model where the fitted one is wrong (:mod:`tests.benchmarks.goodness_ceiling`). The column
"best possible" is how often a test could warn at most.
"""
# ruff: noqa: T201 - a table is what this script is for

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

import phenofit
from phenofit import PhenofitError
from phenofit.analysis.fit_checks import check_fit
from phenofit.analysis.goodness import LEVEL, LEVELS, goodness
from tests.benchmarks.coverage_study.scenarios import SCENARIOS, Scenario
from tests.benchmarks.coverage_study.tables import REPORTS
from tests.benchmarks.goodness_ceiling import ALTERNATIVES, Ratio, RatioTask, best_power, ratio_of
from tests.benchmarks.kept_records import kept_study
from tests.recovery.other_truths import draw_network

_HELD = "default, normal curve held"
RIGHT = ("default", _HELD, "unequal-traps", "14-day-checks", "two-flights", "gamma", "weibull")
_ALL: dict[str, tuple[Scenario, dict[str, Any]]] = {
    name: (scenario, {}) for name, scenario in SCENARIOS.items() if name != "night-0.15-fitted"
}
CASES: dict[str, tuple[Scenario, dict[str, Any]]] = {
    **_ALL,
    _HELD: (SCENARIOS["default"], {"curve": "normal"}),
    "gamma, normal curve held": (SCENARIOS["gamma"], {"curve": "normal"}),
    "two flights, one fitted": (SCENARIOS["two-flights"], {"flights": 1}),
}
_NOTE = """Networks of 8 sites and 5 years on real weather; a share has its binomial standard error. A warning of any test is a
warning of the verdict. The drift over the years is not in the table: its p value is that of a regression.
"""
_BEST = """
"Best possible" is how often the likelihood ratio against the true model warns, at a rate of false alarms of 5 %. It knows what
is wrong and how, so hardly any test can warn more often.
"""


@dataclass(frozen=True)
class Task:
    """A network of a case."""

    case: str
    number: int


@dataclass(frozen=True)
class Warned:
    """Which tests warned."""

    case: str
    number: int
    p_values: dict[str, float]  # By test; 0 or 1 where a rule warns or not.
    failed: str = ""

    def warns(self, question: str) -> bool:
        """Return whether a test of the verdict warned."""
        return self.p_values.get(question, 1.0) < LEVELS.get(question, LEVEL)


def look(task: Task) -> Warned:
    """Draw a network, fit it and judge the fit."""
    scenario, changed = CASES[task.case]
    place = scenario.places[task.number % len(scenario.places)]
    records = draw_network(scenario.truth, place, seed=(1591, task.number)).records()
    try:
        fit = phenofit.fit_flights(records, replace(scenario.model(), **changed), profiles=False)
        found = goodness(fit, check_fit(fit, records, min_moths=5, seed=1), pd.DataFrame()).findings
    except PhenofitError as error:
        return Warned(task.case, task.number, {}, str(error))
    values = {one.question: float(one.holds) if math.isnan(one.p_value) else one.p_value for one in found}
    return Warned(task.case, task.number, values)


def study(task: Task | RatioTask) -> Warned | Ratio:
    """Carry out a task of either kind."""
    return ratio_of(task) if isinstance(task, RatioTask) else look(task)


def table(records: list[Warned], ratios: list[Ratio]) -> str:
    """Return the shares of networks with a warning, a row for each case."""
    questions = list(dict.fromkeys(name for record in records for name in record.p_values))
    best = ["best possible"] if ratios else []
    rows = [["case", "model", "networks", "any", *best, *questions]]
    for case in CASES:
        mine = [record for record in records if record.case == case and not record.failed]
        if mine:
            shares = [_share([any(map(r.warns, questions)) for r in mine])]
            shares += [_share(power) if (power := best_power(ratios, case)) else "" for _ in best]
            shares += [_share([r.warns(name) for r in mine]) for name in questions]
            rows.append([case, "right" if case in RIGHT else "wrong", str(len(mine)), *shares])
    lines = ["| " + " | ".join(row) + " |" for row in rows]
    return "\n".join([lines[0], "|" + " --- |" * len(rows[0]), *lines[1:]]) + "\n"


def _share(hits: list[bool]) -> str:
    share = sum(hits) / len(hits)
    return f"{100 * share:.0f} ± {100 * (share * (1 - share) / len(hits)) ** 0.5:.0f} %"


def _said(record: Warned | Ratio) -> str:
    if isinstance(record, Ratio):
        kind = "right" if record.right else "wrong"
        return f"{record.case}, network {record.number}, {kind} model: ratio {record.ratio}"
    warned = ", ".join(name for name in record.p_values if record.warns(name)) or "fits"
    return f"{record.case}, network {record.number}: {record.failed or warned}"


def _tasks(given: argparse.Namespace) -> Iterator[Task | RatioTask]:
    for number in range(given.networks):
        yield from (Task(case, number) for case in CASES)
        if given.ceiling:
            yield from (RatioTask(case, number, right) for case in ALTERNATIVES for right in (True, False))


def _read(**line: Any) -> Warned | Ratio:
    return Ratio(**line) if "ratio" in line else Warned(**line)


def _task_of(record: Warned | Ratio) -> Task | RatioTask:
    if isinstance(record, Ratio):
        return RatioTask(record.case, record.number, record.right)
    return Task(record.case, record.number)


def main() -> None:
    """Draw, keep and print."""
    kept, write = kept_study(
        __doc__,
        study,
        _tasks,
        read=_read,
        task_of=_task_of,
        said=_said,
        switches={"ceiling": "also measure how often a test could warn at most"},
    )
    ratios = [record for record in kept if isinstance(record, Ratio)]
    found = table([record for record in kept if isinstance(record, Warned)], ratios)
    print(found)
    if write:
        text = f"# How often the verdict on a fit warns\n\n{_NOTE}{_BEST if ratios else ''}\n{found}"
        (REPORTS / "goodness.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
