"""Flights: curves, the likelihood of trap counts, its maximum and profiles, and the result."""

from phenofit.flight.curves import CURVE_CODES, heat_at_share, peak_heat, share_flown
from phenofit.flight.data import FlightData, assemble
from phenofit.flight.fit import fit_data, fit_flights
from phenofit.flight.profile import Profile
from phenofit.flight.result import EVENT_SHARES, FlightFit
from phenofit.flight.settings import FitSettings

__all__ = [
    "CURVE_CODES",
    "EVENT_SHARES",
    "FitSettings",
    "FlightData",
    "FlightFit",
    "Profile",
    "assemble",
    "fit_data",
    "fit_flights",
    "heat_at_share",
    "peak_heat",
    "share_flown",
]
