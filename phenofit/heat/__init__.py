"""Degree-days: every method and cut-off, sums from any start, dates of requirements, rearing regressions."""

from phenofit.heat.biofix_rules import BIOFIX_RULES, find_biofix
from phenofit.heat.compiled.daily_kernels import CUTOFF_CODES, METHOD_CODES
from phenofit.heat.daily import HeatSlopes, degree_day_slopes, degree_days
from phenofit.heat.hourly import hourly_degree_days
from phenofit.heat.reaching import dates_reaching
from phenofit.heat.rearing_rates import RearingFit, fit_rearing, read_rearing
from phenofit.heat.settings import CUTOFFS, METHODS, HeatSettings, check_method
from phenofit.heat.sums import accumulate

__all__ = [
    "BIOFIX_RULES",
    "CUTOFFS",
    "CUTOFF_CODES",
    "METHODS",
    "METHOD_CODES",
    "HeatSettings",
    "HeatSlopes",
    "RearingFit",
    "accumulate",
    "check_method",
    "dates_reaching",
    "degree_day_slopes",
    "degree_days",
    "find_biofix",
    "fit_rearing",
    "hourly_degree_days",
    "read_rearing",
]
