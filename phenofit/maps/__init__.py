"""Maps of forecast error and of flight dates: sites, surfaces, drawing and files for other programs."""

from phenofit.maps.dates import date_map
from phenofit.maps.sites import site_errors
from phenofit.maps.surface import error_map

__all__ = ["date_map", "error_map", "site_errors"]
