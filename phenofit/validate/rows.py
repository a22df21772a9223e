"""The validation table: its columns, and one row from a forecast and an observed event."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from phenofit.errors import ModelError
from phenofit.forecast.dates import LEVELS
from phenofit.forecast.distribution import DateDistribution, moment
from phenofit.validate.scores import crps_draws, interval_log_score

if TYPE_CHECKING:
    from phenofit.traps import TrapYears

__all__ = ["VALIDATION_COLUMNS", "finished_table", "forecast_row"]

VALIDATION_COLUMNS = (
    "scheme",
    "fold",
    "forecaster",
    "species",
    "flight",
    "event",
    "trap",
    "site",
    "season",
    "year",
    "latitude",
    "longitude",
    "elevation_m",
    "lead_days",
    "predicted",
    "low50",
    "high50",
    "low80",
    "high80",
    "low95",
    "high95",
    "observed_from",
    "observed_to",
    "observed",
    "error_days",
    "inside_interval",
    "covered50",
    "covered80",
    "covered95",
    "crps_days",
    "log_score",
    "pit_from",
    "pit_to",
)
_DATES = (
    "predicted",
    "low50",
    "high50",
    "low80",
    "high80",
    "low95",
    "high95",
    "observed_from",
    "observed_to",
    "observed",
)
_DAY = np.timedelta64(1, "D").astype("timedelta64[ns]")


def forecast_row(forecast: DateDistribution, event: dict[str, Any], *, season_days: int) -> dict[str, Any]:
    """Return what one forecast was worth.

    Parameters
    ----------
    forecast : DateDistribution
        Forecast; a single draw is a point forecast, which has no interval.
    event : dict
        ``observed_from, observed_to, observed`` (datetime64).
    season_days : int
        Length of the season: a date that never comes is scored as its end [d].

    Returns
    -------
    dict
        The columns of the validation table from ``predicted`` on.
    """
    point = forecast.days.size == 1
    first = forecast.start.astype("datetime64[ns]")
    low, high, seen = (
        float((moment(event[name], "ns") - first) / _DAY)
        for name in ("observed_from", "observed_to", "observed")
    )
    row: dict[str, Any] = {"predicted": forecast.quantile(0.5)}
    for level in LEVELS:
        name = f"{level * 100:.0f}"
        if point:
            row |= {f"low{name}": pd.NaT, f"high{name}": pd.NaT, f"covered{name}": pd.NA}
            continue
        ends = [forecast.quantile_days(0.5 * (1.0 + sign * level)) for sign in (-1, 1)]
        row[f"low{name}"], row[f"high{name}"] = forecast.interval(level)
        row[f"covered{name}"] = bool(ends[0] <= seen <= ends[1])
    median = forecast.quantile_days(0.5)
    row["error_days"] = median - seen if np.isfinite(median) else np.nan
    row["inside_interval"] = bool(low <= median <= high)
    row["crps_days"] = crps_draws(np.minimum(forecast.days, float(season_days)), seen)
    row["log_score"] = np.nan if point else interval_log_score(forecast.days, low, high)
    row["pit_from"] = np.nan if point else float(np.mean(forecast.days <= low))
    row["pit_to"] = np.nan if point else float(np.mean(forecast.days <= high))
    return row


def finished_table(parts: Sequence[pd.DataFrame], trap_years: TrapYears, species: str) -> pd.DataFrame:
    """Put the parts together, with the places of the traps, in one fixed order.

    Parameters
    ----------
    parts : sequence of pandas.DataFrame
        Rows of each fold and forecaster.
    trap_years : TrapYears
        All records.
    species : str
        Label.

    Returns
    -------
    pandas.DataFrame
        The columns of ``VALIDATION_COLUMNS``.

    Raises
    ------
    ModelError
        If there is no row.
    """
    filled = [part for part in parts if len(part)]
    if not filled:
        raise ModelError("no forecaster could be trained and no event forecast.")
    places = trap_years.years.set_index("trap_year")
    rows: list[dict[str, Any]] = []
    for part in filled:
        rows.extend({str(k): v for k, v in row.items()} for row in part.to_dict("records"))
    table = pd.DataFrame(rows)
    for name in ("trap", "site", "season", "year", "latitude", "longitude", "elevation_m"):
        table[name] = places.loc[table["trap_year"], name].to_numpy()
    table["species"] = species
    for name in _DATES:
        table[name] = pd.to_datetime(table[name]).astype("datetime64[ns]")
    for name in ("covered50", "covered80", "covered95"):
        table[name] = table[name].astype("boolean")
    table["lead_days"] = table["lead_days"].astype(float)
    table["inside_interval"] = table["inside_interval"].astype(bool)
    order = ["lead_days", "forecaster", "flight", "event", "year", "trap"]
    table = table.sort_values(order, kind="stable", na_position="first")
    return table[list(VALIDATION_COLUMNS)].reset_index(drop=True)
