"""Maps of forecast error: sites, surfaces, drawing and files for other programs."""

from phenofit.maps.sites import site_errors
from phenofit.maps.surface import error_map

__all__ = ["error_map", "site_errors"]
