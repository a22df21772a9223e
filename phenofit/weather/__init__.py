"""Station weather: files, links to traps, checks, filling; one dataset (station, time) with provenance."""

from phenofit.weather.fetch import fetch_weather
from phenofit.weather.fetch_report import fetch_report
from phenofit.weather.links import link_stations
from phenofit.weather.read import read_weather
from phenofit.weather.schema import (
    add_notes,
    findings,
    has_flag,
    mark_forecast,
    new_dataset,
    notes,
    station_table,
)
from phenofit.weather.stations import distance_km, read_stations
from phenofit.weather.write import write_weather

__all__ = [
    "add_notes",
    "distance_km",
    "fetch_report",
    "fetch_weather",
    "findings",
    "has_flag",
    "link_stations",
    "mark_forecast",
    "new_dataset",
    "notes",
    "read_stations",
    "read_weather",
    "station_table",
    "write_weather",
]
