"""Figures of fits, held-out forecasts and seasons, drawn from the results of the other rooms; importing this loads matplotlib.

``style`` holds the look; ``flight_curves``, ``cumulative_curves``, ``residual_data``, ``calibration_data`` and ``score_groups`` the numbers
behind the figures; each other module draws.
"""

from phenofit.plots.calibration_plots import plot_calibration
from phenofit.plots.catch_plots import plot_catches
from phenofit.plots.error_plots import plot_dates, plot_errors
from phenofit.plots.flight_plots import plot_base, plot_cumulative, plot_flight, plot_region
from phenofit.plots.map_plots import plot_error_map
from phenofit.plots.residual_plots import plot_residuals
from phenofit.plots.score_plots import plot_scores
from phenofit.plots.season_plots import plot_heat, plot_season

__all__ = [
    "plot_base",
    "plot_calibration",
    "plot_catches",
    "plot_cumulative",
    "plot_dates",
    "plot_error_map",
    "plot_errors",
    "plot_flight",
    "plot_heat",
    "plot_region",
    "plot_residuals",
    "plot_scores",
    "plot_season",
]
