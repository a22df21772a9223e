"""Maps of forecast error and of flight dates: sites, surfaces, drawing and files for other programs."""

from phenofit.maps.date_map import date_map
from phenofit.maps.error_surface import error_map
from phenofit.maps.sites import site_errors

__all__ = ["date_map", "error_map", "site_errors"]
