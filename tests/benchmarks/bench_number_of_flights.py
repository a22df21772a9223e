"""How often the chosen number of flights is the true one.

``python -m tests.benchmarks.bench_number_of_flights --networks 100 --keep FILE`` draws networks of 8 sites and 5 years on real
weather, asks each for the number of flights with ``flights = "compare"``, and prints how often each number was chosen.
A number above the truth is a false flight: the test that takes one more flight has a nominal level of 5 %.
"""
# ruff: noqa: T201 - a table is what this script is for

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import phenofit
from phenofit import FlightModel
from tests.benchmarks.kept_records import kept_study
from tests.recovery.other_truths import Truth, draw_network, normal, skewed

_LONG = ("04-15", "09-30")
TRUTHS = {
    "one, normal": (1, Truth()),
    "one, gamma of skewness 1.1": (1, Truth((skewed("gamma"),))),
    "one, Weibull of skewness 1.1": (1, Truth((skewed("Weibull"),))),
    "one, with 3 % strays": (1, Truth(strays=0.03)),
    "two, normal": (2, Truth((normal(350.0), normal(900.0)), window=_LONG)),
    "two, gamma of skewness 1.1": (
        2,
        Truth((skewed("gamma", median=350.0), skewed("gamma", median=900.0)), window=_LONG),
    ),
}


@dataclass(frozen=True)
class Task:
    """A network of a truth."""

    truth: str
    number: int


@dataclass(frozen=True)
class Chosen:
    """What was chosen for a network."""

    truth: str
    number: int
    flights: int
    words: str


def choose(task: Task) -> Chosen:
    """Draw a network and let the number of flights be chosen."""
    _, truth = TRUTHS[task.truth]
    network = draw_network(truth, "champion", seed=(57, task.number))
    fit = phenofit.fit_flights(network.records(), FlightModel(flights="compare"), profiles=False)
    return Chosen(task.truth, task.number, fit.settings.flights, str(fit.provenance["flights choice"]))


def main() -> None:
    """Choose, keep and print."""
    kept, _ = kept_study(
        __doc__,
        choose,
        lambda given: [Task(name, number) for number in range(given.networks) for name in TRUTHS],
        read=Chosen,
        task_of=lambda record: Task(record.truth, record.number),
        said=lambda record: f"{record.truth}, network {record.number}: {record.flights}",
    )
    print(f"{'truth':<32}{'networks':>9}{'right':>8}{'too many':>10}{'too few':>9}")
    for name, (true, _) in TRUTHS.items():
        found = Counter(record.flights for record in kept if record.truth == name)
        size = sum(found.values())
        if size:
            many = sum(times for flights, times in found.items() if flights > true)
            few = sum(times for flights, times in found.items() if flights < true)
            right = found[true]
            print(f"{name:<32}{size:>9}{right / size:>8.1%}{many / size:>10.1%}{few / size:>9.1%}")


if __name__ == "__main__":
    main()
