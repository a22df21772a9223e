"""How long a validation takes, as a ratio to the fits of its folds alone in the same run.

The study has 140 trap-years in eight years (18 sites); a year is held out each time, at four lead times.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from phenofit.flight import FlightModel, fit_flights
from phenofit.records import Records
from phenofit.validate import Scheme, cross_validate, make_folds, score_forecasts
from tests.benchmarks.measured import Row, against, best
from tests.flight.networks import SEASON, network

LEADS = (28, 14, 7, 0)


def records(sites: int, years: int, trap_years: int) -> Records:
    """Return the first trap-years of an invented network."""
    made = network(sites=sites, years=years)
    keep = np.arange(len(made.trap_years.years)) < trap_years
    return Records(made.trap_years.select(keep), made.weather, made.links, SEASON)


def rows(*, small: bool) -> list[Row]:
    """Time the fits of the folds, and the whole validation without and with lead times."""
    found = records(6, 4, 24) if small else records(18, 8, 140)
    model = FlightModel(flights=1, curve="normal", shifts=("year", "trap-year"))
    folds = make_folds(found.trap_years, "year")

    def fits() -> None:
        for fold in folds:
            fit_flights(found.only(fold.train), model, profiles=False, precise=False)

    def whole(leads: tuple[int, ...]) -> None:
        with ThreadPoolExecutor(os.cpu_count() or 1) as executor:
            table = cross_validate(found, model, Scheme("year", lead_days=leads), executor=executor)
        score_forecasts(table)

    whole(LEADS)  # compile
    peer, base = "fits of the folds, one after the other", best(fits, 2)
    size = f"{len(found.trap_years.years)} trap-years"
    return [
        against(f"leave a year out, {size}, weather known", best(lambda: whole(()), 2), peer, base),
        against(f"leave a year out, {size}, four lead times too", best(lambda: whole(LEADS), 2), peer, base),
    ]
