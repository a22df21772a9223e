"""Forecast the held-out trap-years of one fold with every trained forecaster."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from phenofit.errors import DataError, ModelError
from phenofit.forecasting.distribution import to_unit
from phenofit.forecasting.weather_years import StationSeries
from phenofit.validate.forecasters import Forecaster, Outlook, Setting, Target, start_of
from phenofit.validate.rows import Answers, failed_rows, scored_rows

_UNKNOWN = "the heat sum is unknown (missing temperatures or biofix)"
_NO_STATION = "no weather station"
_NO_SEASON = "no past season continues the weather"


def forecast_fold(
    forecasters: Mapping[str, Forecaster],
    targets: pd.DataFrame,
    wanted: pd.DataFrame,
    *,
    series: Mapping[str, StationSeries],
    links: pd.DataFrame,
    lead_days: Sequence[int],
    scheme: str,
) -> tuple[list[pd.DataFrame], list[tuple[str, str]]]:
    """Forecast and score the requested events; return the rows of each forecaster, and what it lacks."""
    station = dict(zip(links["trap"].astype(str), links["station"].astype(str), strict=True))
    found = {name: Answers() for name in forecasters}
    asked = {int(str(k)): [int(row) for row in v] for k, v in wanted.groupby("trap_year").indices.items()}
    events = _Events.of(wanted, lead_days)
    # Targets of one station and year follow each other, and share its weather.
    records = targets.assign(station=targets["trap"].astype(str).map(station)).to_dict("records")
    records.sort(key=lambda one: (str(one["station"]), int(one["year"]), int(one["trap_year"])))
    shared: tuple[Any, ...] = ()
    opened: dict[Any, Any] = {}
    known: dict[tuple[Any, ...], Outlook | None] = {}
    for record in records:
        name, year = str(record["station"]), int(record["year"])
        if name not in series:
            for answers in found.values():
                answers.lack(_NO_STATION)
            continue
        if shared != (name, year):
            shared, opened, known = (name, year), {}, {}
        years = _other_years(series[name], year, scheme) if lead_days else ()
        place = {str(column): value for column, value in record.items()}
        target = Target(str(record["site"]), series[name], year, years, place, opened)
        for who, forecaster in forecasters.items():
            _forecast(who, forecaster, target, events, asked[int(record["trap_year"])], known, found[who])
    parts = [scored_rows(one, wanted).assign(forecaster=name) for name, one in found.items() if one.asked]
    return parts, [(name, one.reasons) for name, one in found.items() if one.reasons]


@dataclass(frozen=True)
class _Events:
    """The requested events as columns."""

    flight: list[int]
    event: list[str]
    issued: dict[int, list[np.datetime64]]  # Days of issue, by the days ahead.

    @classmethod
    def of(cls, wanted: pd.DataFrame, lead_days: Sequence[int]) -> _Events:
        day = wanted["observed"].to_numpy().astype("datetime64[D]")
        issued = {lead: list(day - np.timedelta64(lead, "D")) for lead in lead_days}
        return cls(wanted["flight"].astype(int).tolist(), wanted["event"].astype(str).tolist(), issued)


def _forecast(
    who: str,
    forecaster: Forecaster,
    target: Target,
    events: _Events,
    rows: Sequence[int],
    known: dict[tuple[Any, ...], Outlook | None],
    found: Answers,
) -> None:
    """Add what a forecaster says of one trap-year."""
    window = _window(forecaster.setting, target)
    for flight in sorted({events.flight[row] for row in rows}):
        mine = [row for row in rows if events.flight[row] == flight]
        names = tuple(events.event[row] for row in mine)
        place = tuple(target.place[name] for name in forecaster.covariates)
        key = (who, target.site, flight, names, *place)
        for lead in (None, *events.issued):
            try:
                if key not in known:
                    known[key] = forecaster.outlook(target, flight, names)
                fault = _dates(known[key], mine, events, lead, window, found)
            except DataError as error:
                # One reason for all issue dates, so that it can be counted.
                ahead = any("past season" in p.finding for p in error.problems)
                fault = _NO_SEASON if ahead else _UNKNOWN
            except ModelError as error:
                # A level of a covariate that the training records do not have.
                fault = str(error).rstrip(".")
            if fault:
                found.lack(fault)


def _dates(
    outlook: Outlook | None,
    rows: Sequence[int],
    events: _Events,
    lead: int | None,
    window: tuple[np.datetime64, np.datetime64],
    found: Answers,
) -> str:
    """Add the dates of one flight of one trap-year at one lead; return why one is missing, or an empty text."""
    if outlook is None:
        return _UNKNOWN
    fault = ""
    for row in rows:
        if events.event[row] not in outlook.events:
            continue
        dates = outlook.date(events.event[row], None if lead is None else events.issued[lead][row])
        if dates is None:
            fault = _UNKNOWN
            continue
        found.asked.append(row)
        found.leads.append(np.nan if lead is None else float(lead))
        found.dates.append(dates)
        found.windows.append(window)
    return fault


def failed_fold(wanted: pd.DataFrame, lead_days: Sequence[int], reason: str) -> pd.DataFrame:
    """Return the rows of forecasts that were asked for and could not be made, so that they are counted."""
    leads = (np.nan, *map(float, lead_days))
    return failed_rows(
        np.repeat(np.arange(len(wanted)), len(leads)), np.tile(leads, len(wanted)), wanted, reason
    )


def _window(setting: Setting, target: Target) -> tuple[np.datetime64, np.datetime64]:
    """Return the day on which the season's heat sum begins, and the day after its last."""
    start = start_of(setting, setting.season, target)
    first = setting.season.first_day(target.year) if start is None else start
    return first, setting.season.last_day(target.year) + np.timedelta64(1, "D")


def _other_years(series: StationSeries, year: int, scheme: str) -> tuple[int, ...]:
    first, last = (int(str(to_unit(d, "Y"))) for d in (series.first, series.last))
    return tuple(y for y in range(first, last + 1) if (y < year if scheme == "past" else y != year))
