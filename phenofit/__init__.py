"""phenofit: calibrate moth-flight phenology from trap catches and daily temperatures.

The public functions and classes are imported when first used, so that ``import phenofit`` and
``phenofit --help`` stay quick. Whatever is not named in ``__all__`` may change without notice.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from phenofit.errors import (
        DataError,
        FetchError,
        FitError,
        MissingExtraError,
        ModelError,
        PhenofitError,
        PhenofitWarning,
        Problem,
        UnitError,
    )
    from phenofit.flight import FlightFit, FlightModel, fit_flights
    from phenofit.forecasting import forecast
    from phenofit.heat import HeatSettings, accumulate, degree_days
    from phenofit.maps import error_map
    from phenofit.plan import plan_network
    from phenofit.plots import (
        plot_base,
        plot_calibration,
        plot_catches,
        plot_cumulative,
        plot_dates,
        plot_error_map,
        plot_errors,
        plot_flight,
        plot_heat,
        plot_region,
        plot_residuals,
        plot_scores,
        plot_season,
    )
    from phenofit.records import Records, plot_records
    from phenofit.report import result_table
    from phenofit.run import run_study
    from phenofit.seasons import MonthDay, Season
    from phenofit.simulate import simulate_network, simulate_weather
    from phenofit.study import check_study, load_study, read_records
    from phenofit.traps import TrapYears, build_trap_years, read_catches, read_traps
    from phenofit.validate import PublishedThreshold, Scheme, compare_published, cross_validate
    from phenofit.weather import fetch_weather, link_stations, read_weather

__all__ = [
    "DataError",
    "FetchError",
    "FitError",
    "FlightFit",
    "FlightModel",
    "HeatSettings",
    "MissingExtraError",
    "ModelError",
    "MonthDay",
    "PhenofitError",
    "PhenofitWarning",
    "Problem",
    "PublishedThreshold",
    "Records",
    "Scheme",
    "Season",
    "TrapYears",
    "UnitError",
    "accumulate",
    "build_trap_years",
    "check_study",
    "compare_published",
    "cross_validate",
    "degree_days",
    "error_map",
    "fetch_weather",
    "fit_flights",
    "forecast",
    "link_stations",
    "load_study",
    "plan_network",
    "plot_base",
    "plot_calibration",
    "plot_catches",
    "plot_cumulative",
    "plot_dates",
    "plot_error_map",
    "plot_errors",
    "plot_flight",
    "plot_heat",
    "plot_records",
    "plot_region",
    "plot_residuals",
    "plot_scores",
    "plot_season",
    "read_catches",
    "read_records",
    "read_traps",
    "read_weather",
    "result_table",
    "run_study",
    "simulate_network",
    "simulate_weather",
]

_HOMES = {
    "errors": (
        "DataError",
        "FetchError",
        "FitError",
        "MissingExtraError",
        "ModelError",
        "PhenofitError",
        "PhenofitWarning",
        "Problem",
        "UnitError",
    ),
    "seasons": ("MonthDay", "Season"),
    "heat": ("HeatSettings", "accumulate", "degree_days"),
    "weather": ("fetch_weather", "link_stations", "read_weather"),
    "traps": ("TrapYears", "build_trap_years", "read_catches", "read_traps"),
    "flight": ("FlightFit", "FlightModel", "fit_flights"),
    "plan": ("plan_network",),
    "forecasting": ("forecast",),
    "plots": (
        "plot_base",
        "plot_calibration",
        "plot_catches",
        "plot_cumulative",
        "plot_dates",
        "plot_error_map",
        "plot_errors",
        "plot_flight",
        "plot_heat",
        "plot_region",
        "plot_residuals",
        "plot_scores",
        "plot_season",
    ),
    "validate": ("PublishedThreshold", "Scheme", "compare_published", "cross_validate"),
    "maps": ("error_map",),
    "simulate": ("simulate_network", "simulate_weather"),
    "study": ("check_study", "load_study", "read_records"),
    "records": ("Records", "plot_records"),
    "report": ("result_table",),
    "run": ("run_study",),
}
_HOME_OF = {name: room for room, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from phenofit.files import phenofit_version

        return phenofit_version()
    if name not in _HOME_OF:
        raise AttributeError(f"module 'phenofit' has no attribute '{name}'")
    value = getattr(importlib.import_module(f"phenofit.{_HOME_OF[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
