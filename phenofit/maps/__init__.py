"""Maps of forecast error and of flight dates: sites, surfaces, drawing and files for other programs."""

from phenofit.maps.choice import ErrorChoice
from phenofit.maps.dataset import MapSettings
from phenofit.maps.date_map import Relief, date_map
from phenofit.maps.error_surface import error_map
from phenofit.maps.grid_dates import grid_date_map
from phenofit.maps.projection import MapArea
from phenofit.maps.sites import site_errors

__all__ = [
    "ErrorChoice",
    "MapArea",
    "MapSettings",
    "Relief",
    "date_map",
    "error_map",
    "grid_date_map",
    "site_errors",
]
