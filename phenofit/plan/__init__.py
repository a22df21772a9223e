"""Planning a trap network: how many sites, years and checks would fix base and requirement, and how well."""

from phenofit.plan.network import PLAN_COLUMNS, plan_network
from phenofit.plan.truth import PlanTruth, truth_of_fit

__all__ = ["PLAN_COLUMNS", "PlanTruth", "plan_network", "truth_of_fit"]
