"""The figures of a report; importing this loads matplotlib."""

from phenofit.report.figures.calibration import draw_calibration
from phenofit.report.figures.flight import draw_base, draw_flight
from phenofit.report.figures.forecasts import draw_dates, draw_errors, draw_season
from phenofit.report.figures.residual_panels import draw_residuals
from phenofit.report.figures.score_panels import draw_scores
from phenofit.report.figures.style import save

__all__ = [
    "draw_base",
    "draw_calibration",
    "draw_dates",
    "draw_errors",
    "draw_flight",
    "draw_residuals",
    "draw_scores",
    "draw_season",
    "save",
]
