"""How long a validation takes, as a ratio to the fits of its folds alone in the same run.

Run ``python -m tests.benchmarks.bench_validation``; prints the seconds and the parts of a study of 140 trap-years in eight
years (18 sites), a year held out each time, at four lead times.
"""
# ruff: noqa: T201 - a table is what this script is for

from __future__ import annotations

import argparse
import os
import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from phenofit.flight import FlightModel, fit_flights
from phenofit.records import Records
from phenofit.validate import Scheme, cross_validate, make_folds, score_forecasts
from tests.flight.networks import SEASON, network

LEADS = (28, 14, 7, 0)


def records(sites: int, years: int, trap_years: int) -> Records:
    """Return the first trap-years of an invented network."""
    made = network(sites=sites, years=years)
    keep = np.arange(len(made.trap_years.years)) < trap_years
    return Records(made.trap_years.select(keep), made.weather, made.links, SEASON)


def main() -> None:
    """Time the fits of the folds, and the whole validation without and with lead times."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--repeats", type=int, default=3)
    repeats = parser.parse_args().repeats
    found, model = records(18, 8, 140), FlightModel(flights=1, curve="normal", shifts=("year", "trap-year"))
    folds = make_folds(found.trap_years, "year")

    def fits() -> None:
        for fold in folds:
            fit_flights(found.only(fold.train), model, profiles=False, precise=False)

    def whole(leads: tuple[int, ...]) -> None:
        with ThreadPoolExecutor(os.cpu_count() or 1) as executor:
            table = cross_validate(found, model, Scheme("year", lead_days=leads), executor=executor)
        score_forecasts(table)

    base = 0.0
    for name, work in (
        ("fits of the folds, one after the other", fits),
        ("validation, weather known", lambda: whole(())),
        ("validation, four lead times too", lambda: whole(LEADS)),
    ):
        work()
        seconds = []
        for _ in range(repeats):
            begun = time.perf_counter()
            work()
            seconds.append(time.perf_counter() - begun)
        base = base or min(seconds)
        print(f"{name:<42}{min(seconds):8.2f} s {min(seconds) / base:8.1f} x")


if __name__ == "__main__":
    main()
