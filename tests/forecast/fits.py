"""One small fit on invented data, shared by the tests of this room."""

from __future__ import annotations

from functools import cache

from phenofit.flight import FlightFit
from tests.calls import fit_flights
from tests.validate.networks import HEAT, SEASON, network


@cache
def small_fit() -> FlightFit:
    """Return a fit to six sites and five seasons (2014 to 2018)."""
    n = network(sites=6, years=5)
    return fit_flights(
        n.trap_years(), n.weather, n.links, season=SEASON, heat=HEAT, species="invented borer", profiles=False
    )
