"""How long fits of several flights take, as ratios to a fit of one flight in the same run.

Every fit has its curve given and all its intervals, unless the row says otherwise.
"""

from __future__ import annotations

from phenofit.flight import FlightModel, fit_flights
from phenofit.records import Records
from tests.benchmarks.measured import Row, against, best
from tests.flight.networks import SEASON, network

# Drawn flights by their number.
TRUTHS: dict[int, dict[str, tuple[float, ...]]] = {
    1: {},
    2: {"requirements": (350.0, 900.0), "spreads": (60.0, 60.0)},
    3: {"requirements": (250.0, 650.0, 1050.0), "spreads": (50.0,) * 3},
    4: {"requirements": (200.0, 500.0, 800.0, 1150.0), "spreads": (45.0,) * 4},
}


def records(sites: int, years: int, flights: int) -> Records:
    """Draw a network on invented weather."""
    n = network(sites=sites, years=years, **TRUTHS[flights])
    return Records(n.trap_years, n.weather, n.links, SEASON)


def model(flights: int | str, curve: str = "normal") -> FlightModel:
    """Return a model with shifts of years and trap-years."""
    return FlightModel(flights=flights, curve=curve, shifts=("year", "trap-year"))


def rows(*, small: bool) -> list[Row]:
    """Time one to four flights; at full size also the choice of number and curve."""
    sites = 8 if small else 20
    one, found = 0.0, []
    for flights in (1, 2) if small else (1, 2, 3, 4):
        drawn = records(sites, 5, flights)
        fit_flights(drawn, model(flights), profiles=False)  # compile
        seconds = best(lambda drawn=drawn, flights=flights: fit_flights(drawn, model(flights)), 2)  # type: ignore[misc]
        one = one or seconds
        name = f"{flights} flight{'s' if flights > 1 else ''}, {5 * sites} trap-years"
        found.append(Row(name, seconds) if flights == 1 else against(name, seconds, "one flight", one))
    if not small:
        chosen = best(lambda: fit_flights(records(30, 5, 4), model("compare", "choose")), 1)
        found.append(Row("number and curve chosen, four flights, 150 trap-years", chosen))
    return found
