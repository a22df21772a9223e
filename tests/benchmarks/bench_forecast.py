"""How long a season forecast takes, beside its heat sums alone in plain NumPy."""

from __future__ import annotations

import numpy as np

from phenofit.flight import FlightModel, fit_flights
from phenofit.forecasting import forecast
from phenofit.forecasting.event_heat import draw_heat
from phenofit.forecasting.forecast_places import season_places
from phenofit.records import Records
from tests.benchmarks.bench_heat import plain_numpy
from tests.benchmarks.measured import Row, against, best
from tests.flight.networks import SEASON, network

EVENTS, DRAWS = ("flight_5", "flight_50", "flight_95"), 1000


def rows(*, small: bool) -> list[Row]:
    """Time a forecast of all sites as of 20 May of the last season."""
    made = network(sites=4 if small else 20, years=6)
    records = Records(made.trap_years, made.weather, made.links, SEASON)
    fit = fit_flights(
        records, FlightModel(flights=1, curve="normal", shifts=("year", "trap-year")), profiles=False
    )
    today = np.datetime64(f"{int(made.trap_years.years['year'].max())}-05-20")
    places, _ = season_places(records, issued=today)
    draws = draw_heat(fit, EVENTS, draws=DRAWS)

    def sums() -> None:
        for place in places:
            seasons = place.ensemble
            for k in range(DRAWS):
                at = k % len(seasons.tmin)
                total = np.cumsum(plain_numpy(seasons.tmin[at], seasons.tmax[at], draws.base[k]))
                np.searchsorted(total, draws.amount[k])

    forecast(fit, records, today=today, events=EVENTS, draws=DRAWS)  # compile
    ours = best(lambda: forecast(fit, records, today=today, events=EVENTS, draws=DRAWS).table(), 3)
    name = f"forecast of {len(places)} sites, three events, {DRAWS} draws"
    return [against(name, ours, "the heat sums of these draws in plain NumPy", best(sums, 1))]
