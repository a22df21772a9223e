"""Invented weather and invented catches with known true values, for tests, planning and the demo."""

from phenofit.simulate.catches import NetworkTruth
from phenofit.simulate.network import simulate_network
from phenofit.simulate.schedule import CheckPlan
from phenofit.simulate.weather import Climate, simulate_weather, with_gaps

__all__ = ["CheckPlan", "Climate", "NetworkTruth", "simulate_network", "simulate_weather", "with_gaps"]
