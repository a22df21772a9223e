"""Station weather: files and services, checks, filling, links to traps; one dataset with provenance by the day."""

from phenofit.weather.links import link_stations
from phenofit.weather.quality.checks import CHECKS, check_weather, flag_counts
from phenofit.weather.quality.fill import fill_weather, filled_share
from phenofit.weather.quality.fill_error import filling_error
from phenofit.weather.quality.late_maximum import observation_lags, shift_lagged
from phenofit.weather.quality.neighbour_offsets import neighbour_offsets
from phenofit.weather.reading.read import WeatherForm, read_weather
from phenofit.weather.reading.station_table import read_stations
from phenofit.weather.schema import (
    Provenance,
    add_notes,
    findings,
    has_flag,
    mark_forecast,
    new_dataset,
    notes,
    station_table,
)
from phenofit.weather.service.fetch_report import fetch_report
from phenofit.weather.service.fetch_series import Requests, fetch_weather
from phenofit.weather.trap_weather import at_traps, lapse_rates, leave_one_station_out, site_offset
from phenofit.weather.write import write_weather

__all__ = [
    "CHECKS",
    "Provenance",
    "Requests",
    "WeatherForm",
    "add_notes",
    "at_traps",
    "check_weather",
    "fetch_report",
    "fetch_weather",
    "fill_weather",
    "filled_share",
    "filling_error",
    "findings",
    "flag_counts",
    "has_flag",
    "lapse_rates",
    "leave_one_station_out",
    "link_stations",
    "mark_forecast",
    "neighbour_offsets",
    "new_dataset",
    "notes",
    "observation_lags",
    "read_stations",
    "read_weather",
    "shift_lagged",
    "site_offset",
    "station_table",
    "write_weather",
]
