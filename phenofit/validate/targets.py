"""Forecast the held-out trap-years of one fold with one trained forecaster."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from phenofit.errors import DataError, ModelError
from phenofit.forecasting.distribution import to_unit
from phenofit.forecasting.weather_years import StationSeries
from phenofit.validate.forecasters import Dates, Forecaster, Setting, Target, start_of
from phenofit.validate.rows import VALIDATION_COLUMNS, failed_row, forecast_row

_UNKNOWN = "the heat sum is unknown (missing temperatures or biofix)"


def forecast_fold(
    forecaster: Forecaster,
    targets: pd.DataFrame,
    wanted: pd.DataFrame,
    *,
    series: Mapping[str, StationSeries],
    links: pd.DataFrame,
    lead_days: tuple[int, ...],
    scheme: str,
) -> tuple[pd.DataFrame, str | None]:
    """Forecast events and score each forecast."""
    station = dict(zip(links["trap"].astype(str), links["station"], strict=True))
    by_year = {int(str(k)): g for k, g in wanted.groupby("trap_year", sort=True)}
    known: dict[tuple[Any, ...], Dates | None] = {}
    rows: list[dict[str, object]] = []
    faults: dict[str, int] = {}
    for record in targets.sort_values("trap_year").to_dict("records"):
        name = station.get(str(record["trap"]))
        if name not in series:
            faults["no weather station"] = faults.get("no weather station", 0) + 1
            continue
        for flight, group in by_year[int(record["trap_year"])].groupby("flight", sort=True):
            for lead in (None, *lead_days):
                found, fault = _forecast(
                    forecaster, record, series[str(name)], int(str(flight)), group, lead, scheme, known
                )
                rows.extend(found)
                if fault is not None:
                    faults[fault] = faults.get(fault, 0) + 1
    reasons = "; ".join(f"{reason} ({count} times)" for reason, count in sorted(faults.items())) or None
    table = pd.DataFrame(rows) if rows else pd.DataFrame(columns=list(VALIDATION_COLUMNS))
    return table, reasons


def _forecast(
    forecaster: Forecaster,
    record: Mapping[Any, Any],
    series: StationSeries,
    flight: int,
    group: pd.DataFrame,
    lead: int | None,
    scheme: str,
    known: dict[tuple[Any, ...], Dates | None],
) -> tuple[list[dict[str, object]], str | None]:
    """Return the rows of one flight of one trap-year at one lead."""
    events = tuple(group["event"])
    year, site = int(record["year"]), str(record["site"])
    window = _window(forecaster.setting, Target(site, series, year))
    place = {name: record[name] for name in forecaster.covariates}
    rows: list[dict[str, object]] = []
    for event in group.to_dict("records"):
        issued = (
            None if lead is None else to_unit(event["observed"].to_datetime64()) - np.timedelta64(lead, "D")
        )
        asked = events if lead is None else (str(event["event"]),)
        key = (series.station, year, site, flight, asked, issued, *place.values())
        if key not in known:
            years = () if lead is None else _other_years(series, year, scheme)
            target = Target(site, series, year, issued, years, place)
            try:
                known[key] = forecaster.dates(target, flight, asked)
            except DataError as error:
                # One reason for all issue dates, so that it can be counted.
                ahead = any("past season" in p.finding for p in error.problems)
                return rows, "no past season continues the weather" if ahead else _UNKNOWN
            except ModelError as error:
                # A level of a covariate that the training records do not have.
                return rows, str(error).rstrip(".")
        dates = known[key]
        if dates is None:
            return rows, _UNKNOWN
        forecast = dates.get(str(event["event"]))
        if forecast is None:
            continue
        seen = {str(k): v for k, v in event.items()}
        rows.append(_row(seen, lead, forecast_row(forecast, seen, season=window)))
    return rows, None


def failed_fold(wanted: pd.DataFrame, lead_days: tuple[int, ...], reason: str) -> pd.DataFrame:
    """Return the rows of forecasts that were asked for and could not be made, so that they are counted."""
    seen = [{str(k): v for k, v in event.items()} for event in wanted.to_dict("records")]
    return pd.DataFrame([_row(e, lead, failed_row(reason)) for e in seen for lead in (None, *lead_days)])


def _row(event: Mapping[str, object], lead: int | None, scores: dict[str, object]) -> dict[str, object]:
    kept = ("trap_year", "flight", "event", "observed_from", "observed_to", "observed")
    return {
        **{name: event[name] for name in kept},
        "lead_days": np.nan if lead is None else float(lead),
        **scores,
    }


def _window(setting: Setting, target: Target) -> tuple[np.datetime64, np.datetime64]:
    """Return the day on which the season's heat sum begins, and the day after its last."""
    start = start_of(setting, setting.season, target)
    first = setting.season.first_day(target.year) if start is None else start
    return first, setting.season.last_day(target.year) + np.timedelta64(1, "D")


def _other_years(series: StationSeries, year: int, scheme: str) -> tuple[int, ...]:
    first, last = (int(str(to_unit(d, "Y"))) for d in (series.first, series.last))
    return tuple(y for y in range(first, last + 1) if (y < year if scheme == "past" else y != year))
