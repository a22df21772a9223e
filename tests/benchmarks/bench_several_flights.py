"""How long fits of several flights take, as ratios to a fit of one flight in the same run.

Run ``python -m tests.benchmarks.bench_several_flights``; prints a table and writes ``bench_several_flights.json`` beside
this file. Every fit has its curve given and all its intervals, unless the row says otherwise. Ratios are of two timings in
the same run on the same machine; they are not tests.
"""
# ruff: noqa: T201 - a table is what this script is for

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable
from pathlib import Path

from phenofit.flight import FlightFit, FlightModel, fit_flights
from phenofit.records import Records
from tests.flight.networks import SEASON, network

RESULT = Path(__file__).with_suffix(".json")
TWO = {"requirements": (350.0, 900.0), "spreads": (60.0, 60.0)}
FOUR = {"requirements": (200.0, 500.0, 800.0, 1150.0), "spreads": (45.0,) * 4}


def records(sites: int, years: int, **truth: object) -> Records:
    """Draw a network on invented weather."""
    n = network(sites=sites, years=years, **truth)
    return Records(n.trap_years, n.weather, n.links, SEASON)


def timed(work: Callable[[], FlightFit]) -> tuple[float, FlightFit]:
    """Return seconds and the fit."""
    begun = time.perf_counter()
    fit = work()
    return time.perf_counter() - begun, fit


def model(flights: int | str, curve: str = "normal") -> FlightModel:
    """Return a model with shifts of years and trap-years."""
    return FlightModel(flights=flights, curve=curve, shifts=("year", "trap-year"))


def best(found: Records, asked: FlightModel, repeats: int) -> tuple[float, FlightFit]:
    """Return the least of several timings, and the fit."""
    return min((timed(lambda: fit_flights(found, asked)) for _ in range(repeats)), key=lambda pair: pair[0])


def main() -> None:
    """Time and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--large", action="store_true", help="also 10,000 trap-years, and 200,000 checks")
    given = parser.parse_args()
    for flights in (1, 2, 3):
        fit_flights(records(3, 2, **TWO), model(flights), profiles=False)  # compile
    rows = []

    def row(what: str, seconds: float, against: float | None, target: str, note: str) -> None:
        ratio = "" if against is None else f"{seconds / against:.1f}"
        rows.append(
            {"what": what, "seconds": round(seconds, 2), "ratio": ratio, "target": target, "note": note}
        )
        print(f"{what:<62}{seconds:>9.2f} s{ratio:>8}  {target:<22}{note}", flush=True)

    hundred, two_hundred = records(20, 5), records(20, 5, **TWO)
    one, _ = best(hundred, model(1), given.repeats)
    row("one flight, 100 trap-years", one, None, "", "")
    seconds, fit = best(two_hundred, model(2), given.repeats)
    row("two flights, 100 trap-years", seconds, one, "at most 10 times", f"converged: {fit.converged}")
    forty, one_forty = records(8, 5, **TWO), records(8, 5)
    one, _ = best(one_forty, model(1), given.repeats)
    row("one flight, 40 trap-years", one, None, "", "")
    seconds, fit = best(forty, model(3), given.repeats)
    collapsed = ", ".join(str(c.flight) for c in fit.collapsed) or "none"
    row(
        "three flights on 40 trap-years that hold two",
        seconds,
        one,
        "at most 20 times",
        f"collapsed: {collapsed}",
    )
    seconds, fit = timed(lambda: fit_flights(records(30, 5, **FOUR), model("compare", "choose")))
    said = f"flights: {fit.settings.flights}, curve: {fit.settings.curve}"
    row("number and curve chosen, four flights, 150 trap-years", seconds, None, "under 60 s", said)
    if given.large:
        seconds, _ = timed(lambda: fit_flights(records(1000, 10), model(1)))
        row("one flight, 10,000 trap-years", seconds, None, "under 15 s", "")
        wide = records(500, 8, spreads=(220.0,), moths=300.0)
        seconds, _ = timed(lambda: fit_flights(wide, model(1)))
        checks = len(wide.trap_years.intervals)
        row("one flight, 4,000 trap-years", seconds, None, "under 20 s", f"{checks} checks")
    RESULT.write_text(json.dumps(rows, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
