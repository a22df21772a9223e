"""Dates of flight events, as distributions."""

from phenofit.forecasting.date_draws import LEVELS, event_dates, fixed_date
from phenofit.forecasting.distribution import DateDistribution
from phenofit.forecasting.event_heat import HeatDraws, draw_heat
from phenofit.forecasting.events import EVENTS, FORECAST_EVENTS, event_share, event_words
from phenofit.forecasting.forecast_places import day_after_last
from phenofit.forecasting.season_forecast import (
    FORECAST_COLUMNS,
    EventForecast,
    SeasonForecast,
    forecast,
)

__all__ = [
    "EVENTS",
    "FORECAST_COLUMNS",
    "FORECAST_EVENTS",
    "LEVELS",
    "DateDistribution",
    "EventForecast",
    "HeatDraws",
    "SeasonForecast",
    "day_after_last",
    "draw_heat",
    "event_dates",
    "event_share",
    "event_words",
    "fixed_date",
    "forecast",
]
