"""Dates of flight events, as distributions."""

from phenofit.forecast.dates import LEVELS, event_dates, fixed_date
from phenofit.forecast.distribution import DateDistribution
from phenofit.forecast.events import EVENTS, FORECAST_EVENTS, event_share, event_words
from phenofit.forecast.levels import HeatDraws, draw_heat
from phenofit.forecast.places import day_after_last
from phenofit.forecast.season import (
    FORECAST_COLUMNS,
    EventForecast,
    SeasonForecast,
    forecast,
    forecast_season,
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
    "forecast_season",
]
