"""Flights: curves, the likelihood of trap counts, its maximum and profiles, and the result."""

from phenofit.flight.baselines.rule_search import RULES
from phenofit.flight.baselines.rules import half_catch_dates, older_rules
from phenofit.flight.diagnostics.influences import contributions, influence
from phenofit.flight.diagnostics.night_score import NightWeatherTest, night_weather_test
from phenofit.flight.diagnostics.residuals import check_residuals
from phenofit.flight.diagnostics.stations import StationCheck, station_check
from phenofit.flight.diagnostics.strays import stray_checks
from phenofit.flight.diagnostics.watched import Unwatched, unwatched_shares
from phenofit.flight.fit_at_place import fit_at, fit_at_site
from phenofit.flight.fitting import FitInterrupted
from phenofit.flight.inference.contrasts import Contrast, contrast
from phenofit.flight.inference.joint_regions import JointRegion, joint_region
from phenofit.flight.inference.start_date import StartProfile, profile_start
from phenofit.flight.intervals.profile import Profile
from phenofit.flight.kernels.curves import CURVE_CODES, heat_at_share, peak_heat, share_flown
from phenofit.flight.likelihood.rearing_term import RearingTerm, published_rearing, rearing_term
from phenofit.flight.model import FitSettings, FlightModel
from phenofit.flight.result import EVENT_SHARES, FlightFit
from phenofit.flight.selection.fit_comparison import RatioTest, compare, flights_evidence, likelihood_ratio
from phenofit.flight.selection.flight_count import fit_flights

__all__ = [
    "CURVE_CODES",
    "EVENT_SHARES",
    "RULES",
    "Contrast",
    "FitInterrupted",
    "FitSettings",
    "FlightFit",
    "FlightModel",
    "JointRegion",
    "NightWeatherTest",
    "Profile",
    "RatioTest",
    "RearingTerm",
    "StartProfile",
    "StationCheck",
    "Unwatched",
    "check_residuals",
    "compare",
    "contrast",
    "contributions",
    "fit_at",
    "fit_at_site",
    "fit_flights",
    "flights_evidence",
    "half_catch_dates",
    "heat_at_share",
    "influence",
    "joint_region",
    "likelihood_ratio",
    "night_weather_test",
    "older_rules",
    "peak_heat",
    "profile_start",
    "published_rearing",
    "rearing_term",
    "share_flown",
    "station_check",
    "stray_checks",
    "unwatched_shares",
]
