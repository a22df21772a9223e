"""Planning a trap network: how many sites, years and checks would fix base and requirement, and how well."""

from phenofit.plan.assumed_truth import PlanTruth, truth_of_fit
from phenofit.plan.network_plan import PLAN_COLUMNS, NetworkSizes, plan_network

__all__ = ["PLAN_COLUMNS", "NetworkSizes", "PlanTruth", "plan_network", "truth_of_fit"]
