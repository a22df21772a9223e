"""Flights: curves, the likelihood of trap counts, its maximum and profiles, and the result."""

from phenofit.flight.baselines import RULES, half_catch_dates, older_rules
from phenofit.flight.bootstrap import BootstrapInterval, bootstrap_interval
from phenofit.flight.choose import choose_curve, curve_candidates
from phenofit.flight.choose_flights import choose_flights, flight_candidates
from phenofit.flight.compare import RatioTest, compare, flights_evidence, likelihood_ratio
from phenofit.flight.covariates import Covariate, CovariateDesign, covariate_design
from phenofit.flight.curves import CURVE_CODES, heat_at_share, peak_heat, share_flown
from phenofit.flight.data import FlightData, assemble
from phenofit.flight.fit import fit_data, fit_flights
from phenofit.flight.influence import contributions, influence
from phenofit.flight.joint import JointRegion, joint_region
from phenofit.flight.one_step import quick_influence
from phenofit.flight.place import fit_at, fit_at_site
from phenofit.flight.profile import Profile
from phenofit.flight.rearing_term import RearingTerm, published_rearing, rearing_term
from phenofit.flight.regions import Contrast, contrast
from phenofit.flight.residuals import check_residuals
from phenofit.flight.result import EVENT_SHARES, FlightFit
from phenofit.flight.settings import FitSettings
from phenofit.flight.start_date import StartProfile, profile_start
from phenofit.flight.strays import stray_checks

__all__ = [
    "CURVE_CODES",
    "EVENT_SHARES",
    "RULES",
    "BootstrapInterval",
    "Contrast",
    "Covariate",
    "CovariateDesign",
    "FitSettings",
    "FlightData",
    "FlightFit",
    "JointRegion",
    "Profile",
    "RatioTest",
    "RearingTerm",
    "StartProfile",
    "assemble",
    "bootstrap_interval",
    "check_residuals",
    "choose_curve",
    "choose_flights",
    "compare",
    "contrast",
    "contributions",
    "covariate_design",
    "curve_candidates",
    "fit_at",
    "fit_at_site",
    "fit_data",
    "fit_flights",
    "flight_candidates",
    "flights_evidence",
    "half_catch_dates",
    "heat_at_share",
    "influence",
    "joint_region",
    "likelihood_ratio",
    "older_rules",
    "peak_heat",
    "profile_start",
    "published_rearing",
    "quick_influence",
    "rearing_term",
    "share_flown",
    "stray_checks",
]
