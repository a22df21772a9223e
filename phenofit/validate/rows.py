"""The validation table: its columns, and one row from a forecast and an observed event."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from phenofit.errors import ModelError
from phenofit.forecasting.date_draws import LEVELS
from phenofit.forecasting.distribution import DateDistribution, to_unit
from phenofit.validate.scores import crps_draws, interval_log_score

if TYPE_CHECKING:
    from phenofit.traps import TrapYears

VALIDATION_COLUMNS = (
    "scheme", "fold", "forecaster", "species", "flight", "event", "trap", "site", "season", "year",
    "latitude", "longitude", "elevation_m", "lead_days", "predicted", "low50", "high50", "low80", "high80",
    "low95", "high95", "observed_from", "observed_to", "observed", "error_days", "inside_interval",
    "covered50", "covered80", "covered95", "crps_days", "log_score", "pit_from", "pit_to", "failure",
)  # fmt: skip
_PREDICTED = ("predicted", *(f"{end}{level * 100:.0f}" for level in LEVELS for end in ("low", "high")))
_DAY = np.timedelta64(1, "D").astype("timedelta64[ns]")


def forecast_row(
    forecast: DateDistribution, event: dict[str, Any], *, season: tuple[np.datetime64, np.datetime64]
) -> dict[str, Any]:
    """Return the errors and scores of one forecast."""
    point = forecast.days.size == 1
    first = forecast.start.astype("datetime64[ns]")
    low, high, seen, opens, closes = (
        float((to_unit(when, "ns") - first) / _DAY)
        for when in (*(event[n] for n in ("observed_from", "observed_to", "observed")), *season)
    )
    median = forecast.quantile_days(0.5)
    failure = _no_date(median, opens, closes)
    row: dict[str, Any] = {"predicted": forecast.quantile(0.5)}
    for level in LEVELS:
        name = f"{level * 100:.0f}"
        if point:
            row |= {f"low{name}": pd.NaT, f"high{name}": pd.NaT, f"covered{name}": pd.NA}
            continue
        ends = [forecast.quantile_days(0.5 * (1.0 + sign * level)) for sign in (-1, 1)]
        useless = _no_interval(ends[0], ends[1], opens, closes)
        row[f"low{name}"], row[f"high{name}"] = forecast.interval(level)
        row[f"covered{name}"] = not failure and not useless and bool(ends[0] <= seen <= ends[1])
    if not point and not failure:
        failure = useless  # of the widest interval, which is the last
    row["error_days"] = median - seen if not _no_date(median, opens, closes) else np.nan
    row["inside_interval"] = bool(low <= median <= high)
    row["crps_days"] = crps_draws(np.clip(forecast.days, opens, closes), seen)
    row["log_score"] = np.nan if point else interval_log_score(forecast.days, low, high)
    row["pit_from"] = np.nan if point else float(np.mean(forecast.days <= low))
    row["pit_to"] = np.nan if point else float(np.mean(forecast.days <= high))
    row["failure"] = failure
    return row


def failed_row(reason: str) -> dict[str, Any]:
    """Return the row of a forecast that could not be made; its reason stands in ``failure``."""
    return {
        **dict.fromkeys(_PREDICTED, pd.NaT),
        **{f"covered{level * 100:.0f}": False for level in LEVELS},
        **dict.fromkeys(("error_days", "crps_days", "log_score", "pit_from", "pit_to"), np.nan),
        "inside_interval": False,
        "failure": reason,
    }


def _no_date(median: float, opens: float, closes: float) -> str:
    """Return why a median is no date of the season, or an empty text."""
    if median == np.inf:
        return "the heat sum is not reached in the season"
    if median == -np.inf:
        return "the date is before the heat sum begins"
    if not opens <= median <= closes:
        return "the date is outside the season"
    return ""


def _no_interval(low: float, high: float, opens: float, closes: float) -> str:
    """Return why an interval says nothing that could be wrong, or an empty text."""
    if low <= opens and high >= closes:
        return "the 95 % interval spans the season"
    if not np.isfinite(high):
        return "the 95 % interval has no upper end in the season"
    return "" if np.isfinite(low) else "the 95 % interval has no lower end in the season"


def validation_table(parts: Sequence[pd.DataFrame], trap_years: TrapYears, species: str) -> pd.DataFrame:
    """Return the rows of all folds as one table, with the locations of the traps, in a fixed order."""
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
    for name in (*_PREDICTED, "observed_from", "observed_to", "observed"):
        table[name] = pd.to_datetime(table[name]).astype("datetime64[ns]")
    for name in ("covered50", "covered80", "covered95"):
        table[name] = table[name].astype("boolean")
    table["lead_days"] = table["lead_days"].astype(float)
    table["inside_interval"] = table["inside_interval"].astype(bool)
    table["failure"] = table["failure"].astype(str)
    order = ["lead_days", "forecaster", "flight", "event", "year", "trap"]
    table = table.sort_values(order, kind="stable", na_position="first")
    return table[list(VALIDATION_COLUMNS)].reset_index(drop=True)
