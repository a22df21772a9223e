"""Dates of flight events, as distributions."""

from phenofit.forecasting.distribution import DateDistribution
from phenofit.forecasting.events import EVENTS, FORECAST_EVENTS
from phenofit.forecasting.season_forecast import FORECAST_COLUMNS, EventForecast, SeasonForecast, forecast

__all__ = [
    "EVENTS",
    "FORECAST_COLUMNS",
    "FORECAST_EVENTS",
    "DateDistribution",
    "EventForecast",
    "SeasonForecast",
    "forecast",
]
