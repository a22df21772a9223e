"""Calls with the parts of records and model as keywords, the way in which most tests have them at hand."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields
from typing import Any, Concatenate, TypeVar

import numpy as np
import pandas as pd
import xarray as xr

from phenofit import flight, maps, plan, simulate, validate
from phenofit import weather as weather_room
from phenofit.flight import FlightFit, FlightModel
from phenofit.flight.baselines import rules
from phenofit.flight.diagnostics import influences, residuals, strays
from phenofit.flight.likelihood import flight_data
from phenofit.forecasting import season_forecast
from phenofit.maps import choice as choice_room
from phenofit.records import Records
from phenofit.seasons import Season
from phenofit.traps import TrapYears
from phenofit.validate import Scheme
from phenofit.validate import observed as observed_room
from tests.flight import refits

Result = TypeVar("Result")
Starts = Mapping[tuple[str, int], np.datetime64] | None
_RECORDS = ("season", "starts", "species", "traps")
_MODEL = tuple(item.name for item in fields(FlightModel))
_SCHEME = tuple(item.name for item in fields(Scheme))
ANY_SEASON = Season.parse("01-01", "12-31")


def _model(options: dict[str, Any]) -> FlightModel:
    """Return the model of some options: a normal curve and no site part unless they are asked for."""
    return FlightModel(**{"curve": "normal", "shifts": ("year", "trap-year"), **options})


def take(options: dict[str, Any], names: Sequence[str]) -> dict[str, Any]:
    """Take the options of these names out of `options`."""
    return {name: options.pop(name) for name in names if name in options}


def no_weather() -> xr.Dataset:
    """Return weather without stations, for records whose heat nobody asks for."""
    days = np.array([], dtype="datetime64[ns]")
    empty = (("station", "time"), np.empty((0, 0)))
    return xr.Dataset({"tmin": empty, "tmax": empty}, {"station": np.array([], dtype=str), "time": days})


def fit_flights(trap_years: TrapYears, weather: xr.Dataset, links: pd.DataFrame, **options: Any) -> FlightFit:
    """Fit flights to the parts of records."""
    records = Records(trap_years, weather, links, **take(options, _RECORDS))
    if options.get("heat", 0) is None:
        del options["heat"]
    return flight.fit_flights(records, _model(take(options, _MODEL)), **options)


def choose_curve(
    trap_years: TrapYears, weather: xr.Dataset, links: pd.DataFrame, **options: Any
) -> FlightFit:
    """Fit flights, the curve chosen."""
    return fit_flights(trap_years, weather, links, **{"curve": "choose", **options})


def choose_flights(
    trap_years: TrapYears, weather: xr.Dataset, links: pd.DataFrame, **options: Any
) -> FlightFit:
    """Fit flights, their number chosen."""
    return fit_flights(trap_years, weather, links, **{"flights": "compare", **options})


def assemble(
    trap_years: TrapYears,
    weather: xr.Dataset,
    links: pd.DataFrame,
    *,
    records: str = "counts",
    night: str | None = None,
    **options: Any,
) -> flight_data.FlightData:
    """Assemble the parts of records."""
    return flight_data.assemble(Records(trap_years, weather, links, **options), kind=records, night=night)


def of_fit(
    fit: FlightFit, trap_years: TrapYears, weather: xr.Dataset, links: pd.DataFrame, starts: Starts = None
) -> Records:
    """Return the records of a fit."""
    return Records(trap_years, weather, links, fit.settings.season, starts, fit.settings.species)


def _on_parts(function: Callable[Concatenate[FlightFit, Records, ...], Result]) -> Callable[..., Result]:
    """Let a function of a fit and its records take the parts of the records."""

    def call(
        fit: FlightFit,
        trap_years: TrapYears,
        weather: xr.Dataset,
        links: pd.DataFrame,
        *,
        starts: Starts = None,
        **more: Any,
    ) -> Result:
        return function(fit, of_fit(fit, trap_years, weather, links, starts), **more)

    return call


influence = _on_parts(refits.influence)
quick_influence = _on_parts(influences.influence)
contributions = _on_parts(influences.contributions)
check_residuals = _on_parts(residuals.check_residuals)
stray_checks = _on_parts(strays.stray_checks)
joint_region = _on_parts(flight.joint_region)


def contrast(
    trap_years: TrapYears, weather: xr.Dataset, links: pd.DataFrame, column: str, *,
    shifts: tuple[str, ...] | None = None, **options: Any,
) -> flight.Contrast:  # fmt: skip
    """Test the effects of a column."""
    records = Records(trap_years, weather, links, **take(options, _RECORDS))
    return flight.contrast(records, _model(options), column, shifts=shifts)


def profile_start(
    trap_years: TrapYears, weather: xr.Dataset, links: pd.DataFrame, *, season: Season, **options: Any
) -> flight.StartProfile:
    """Profile the start date."""
    records = Records(
        trap_years, weather, links, season, options.pop("biofix", None), options.pop("species", "")
    )
    return flight.profile_start(records, _model(take(options, _MODEL)), **options)


def older_rules(
    trap_years: TrapYears, weather: xr.Dataset, links: pd.DataFrame, **options: Any
) -> pd.DataFrame:
    """Apply the older rules."""
    return flight.older_rules(Records(trap_years, weather, links, **take(options, _RECORDS)), **options)


def event_heat(
    trap_years: TrapYears, events: pd.DataFrame, weather: xr.Dataset, links: pd.DataFrame, **options: Any
) -> Any:
    """Bring dates and temperatures together."""
    return rules.event_heat(Records(trap_years, weather, links, **take(options, _RECORDS)), events, **options)


def observed_events(
    trap_years: TrapYears, *, weather: xr.Dataset | None = None, links: pd.DataFrame | None = None,
    season: Season | None = None, starts: Starts = None, **more: Any,
) -> validate.Observed:  # fmt: skip
    """Find the observed events."""
    known = pd.DataFrame({"trap": [], "station": []}) if links is None else links
    records = Records(
        trap_years, no_weather() if weather is None else weather, known, season or ANY_SEASON, starts
    )
    return observed_room.observed_events(records, **more)


def cross_validate(
    trap_years: TrapYears, weather: xr.Dataset, links: pd.DataFrame, *,
    fit_options: Mapping[str, Any] | None = None, **options: Any,
) -> pd.DataFrame:  # fmt: skip
    """Validate with the parts of records, model and scheme."""
    records = Records(trap_years, weather, links, **take(options, _RECORDS))
    scheme = Scheme(**take(options, _SCHEME))
    model = _model({**take(options, _MODEL), **(fit_options or {})})
    return validate.cross_validate(records, model, scheme, **options)


def compare_published(
    trap_years: TrapYears, weather: xr.Dataset, links: pd.DataFrame, threshold: validate.PublishedThreshold, *,
    fit_options: Mapping[str, Any] | None = None, level: float | None = None, **options: Any,
) -> validate.PublishedComparison:  # fmt: skip
    """Test a published threshold."""
    records = Records(trap_years, weather, links, **take(options, _RECORDS))
    model = _model({**take(options, _MODEL), **(fit_options or {})})
    return validate.compare_published(records, model, threshold, level=level, **options)


def forecast_season(
    fit: FlightFit, weather: xr.Dataset, links: pd.DataFrame, *, sites: Mapping[str, str] | None = None,
    starts: Starts = None, traps: pd.DataFrame | None = None, **more: Any,
) -> season_forecast.SeasonForecast:  # fmt: skip
    """Forecast for all linked places."""
    named = traps
    if named is None and sites is not None:
        named = pd.DataFrame({"trap": list(sites), "site": list(sites.values())})
    records = Records(TrapYears.none(), weather, links, fit.settings.season, starts, traps=named)
    return season_forecast.forecast(fit, records, **more)


def forecast(fit: FlightFit, weather: xr.Dataset, links: pd.DataFrame, **more: Any) -> pd.DataFrame:
    """Forecast for all linked places, as a table."""
    return forecast_season(fit, weather, links, **more).table()


def simulate_network(**options: Any) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Draw a network from true values given as keywords."""
    names = tuple(item.name for item in fields(simulate.NetworkTruth))
    own = {name: value for name, value in take(options, names).items() if value is not None}
    return simulate.simulate_network(truth=simulate.NetworkTruth(**own), **options)


def plan_network(truth: plan.PlanTruth | FlightFit, weather: xr.Dataset, **options: Any) -> pd.DataFrame:
    """Plan sizes given as keywords."""
    names = tuple(item.name for item in fields(plan.NetworkSizes))
    return plan.plan_network(truth, weather, plan.NetworkSizes(**take(options, names)), **options)


def choice_of(options: dict[str, Any]) -> maps.ErrorChoice:
    """Take the choice of errors out of `options`."""
    return maps.ErrorChoice(**take(options, [item.name for item in fields(maps.ErrorChoice)]))


def area_of(options: dict[str, Any]) -> maps.MapArea:
    """Take the grid of a map out of `options`."""
    return maps.MapArea(**take(options, [item.name for item in fields(maps.MapArea)]))


def error_map(validation: pd.DataFrame, **options: Any) -> xr.Dataset:
    """Map errors, everything given as keywords."""
    choice, area = choice_of(options), area_of(options)
    settings = maps.MapSettings(**take(options, [item.name for item in fields(maps.MapSettings)]))
    return maps.error_map(validation, choice, area=area, settings=settings, **options)


def site_errors(validation: pd.DataFrame, **options: Any) -> pd.DataFrame:
    """Sum errors up by site."""
    return maps.site_errors(validation, choice_of(options))


def select_errors(validation: pd.DataFrame, **options: Any) -> choice_room.ErrorRows:
    """Choose errors."""
    return choice_room.select_errors(validation, maps.ErrorChoice(**options))


def date_map(fit: FlightFit, weather: xr.Dataset, **options: Any) -> xr.Dataset:
    """Map dates, everything given as keywords."""
    area = area_of(options)
    relief = take(options, ["elevation", "lapse"])
    if options.pop("invented", False):
        weather = weather.assign_attrs(invented=1)
    return maps.date_map(fit, weather, area=area, relief=maps.Relief(**relief) if relief else None, **options)


def read_weather(files: Any, **options: Any) -> xr.Dataset:
    """Read weather, the form given as keywords."""
    names = [item.name for item in fields(weather_room.WeatherForm) if item.name != "name"]
    form = weather_room.WeatherForm(options.pop("form", None), **take(options, names))
    return weather_room.read_weather(files, form=form, **options)


def fetch_weather(traps: pd.DataFrame, **options: Any) -> xr.Dataset:
    """Fetch weather, the way of asking given as keywords."""
    if "requests_at_once" in options:
        options["at_once"] = options.pop("requests_at_once")
    names = [item.name for item in fields(weather_room.Requests)]
    return weather_room.fetch_weather(
        traps, requests=weather_room.Requests(**take(options, names)), **options
    )
