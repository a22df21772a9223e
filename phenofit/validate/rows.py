"""The validation table: its columns, and its rows from forecasts and observed events."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from phenofit.errors import ModelError
from phenofit.forecasting.date_draws import LEVELS
from phenofit.forecasting.distribution import DateDistribution, add_days, ranked
from phenofit.validate.scores import crps_draws, interval_log_score

if TYPE_CHECKING:
    from phenofit.traps import TrapYears

Floats = npt.NDArray[np.float64]

VALIDATION_COLUMNS = (
    "scheme", "fold", "forecaster", "species", "flight", "event", "trap", "site", "season", "year",
    "latitude", "longitude", "elevation_m", "lead_days", "predicted", "low50", "high50", "low80", "high80",
    "low95", "high95", "observed_from", "observed_to", "observed", "error_days", "inside_interval",
    "covered50", "covered80", "covered95", "crps_days", "log_score", "pit_from", "pit_to", "failure",
)  # fmt: skip
_KEPT = ["trap_year", "flight", "event", "observed_from", "observed_to", "observed"]
_SPANS = "the 95 % interval spans the season"
_DAY = np.timedelta64(1, "D").astype("timedelta64[ns]")


@dataclass
class Answers:
    """What one forecaster said of the events of a fold."""

    asked: list[int] = field(default_factory=list)  # Rows of the observed events.
    leads: list[float] = field(
        default_factory=list
    )  # Days ahead of each [d], NaN where all weather is known.
    dates: list[DateDistribution] = field(default_factory=list)
    windows: list[tuple[np.datetime64, np.datetime64]] = field(default_factory=list)
    faults: dict[str, int] = field(default_factory=dict)  # Why forecasts are missing, and how many.

    def lack(self, reason: str) -> None:
        """Count a forecast that could not be made."""
        self.faults[reason] = self.faults.get(reason, 0) + 1

    @property
    def reasons(self) -> str | None:
        """Why forecasts are missing, in words."""
        return "; ".join(f"{reason} ({n} times)" for reason, n in sorted(self.faults.items())) or None


def scored_rows(answers: Answers, wanted: pd.DataFrame) -> pd.DataFrame:
    """Return the errors and scores of the forecasts of one forecaster."""
    sizes = np.array([one.days.size for one in answers.dates])
    parts = []
    for size in np.unique(sizes):
        of = np.flatnonzero(sizes == size)
        parts.append(
            _rows(
                np.array([answers.dates[k].days for k in of]),
                np.array([answers.dates[k].start for k in of], dtype="datetime64[D]"),
                wanted.iloc[[answers.asked[k] for k in of]],
                np.array([answers.windows[k] for k in of], dtype="datetime64[D]"),
            ).assign(lead_days=[answers.leads[k] for k in of])
        )
    return pd.concat(parts, ignore_index=True)


def _rows(
    days: Floats, start: npt.NDArray[np.datetime64], wanted: pd.DataFrame, windows: npt.NDArray[np.datetime64]
) -> pd.DataFrame:
    """Return the rows of forecasts with the same number of draws, shape (forecasts, draws) [days from `start`]."""
    point = days.shape[1] == 1
    first = start.astype("datetime64[ns]")

    def since(when: npt.NDArray[np.datetime64]) -> Floats:
        return np.asarray((when.astype("datetime64[ns]") - first) / _DAY)

    low, high, seen = (since(wanted[n].to_numpy()) for n in ("observed_from", "observed_to", "observed"))
    opens, closes = since(windows[:, 0]), since(windows[:, 1])
    sorted_days = np.sort(days, axis=1)
    median = ranked(sorted_days, 0.5)
    failure = np.select(
        [median == np.inf, median == -np.inf, (median < opens) | (median > closes)],
        [
            "the heat sum is not reached in the season",
            "the date is before the heat sum begins",
            "the date is outside the season",
        ],
        "",
    ).astype(object)
    table = wanted[_KEPT].reset_index(drop=True).assign(predicted=add_days(start, median))
    failed = failure != ""
    for level in LEVELS:
        name = f"{level * 100:.0f}"
        if point:
            table[f"low{name}"] = table[f"high{name}"] = np.full(len(days), np.datetime64("NaT", "ns"))
            table[f"covered{name}"] = pd.array([pd.NA] * len(days), dtype="boolean")
            continue
        left, right = (ranked(sorted_days, 0.5 * (1.0 + sign * level)) for sign in (-1, 1))
        useless = _no_interval(left, right, opens, closes)
        table[f"low{name}"], table[f"high{name}"] = add_days(start, left), add_days(start, right)
        covered = ~failed & (useless == "") & (left <= seen) & (seen <= right)
        table[f"covered{name}"] = pd.array(covered, dtype="boolean")
    if not point:
        failure = np.where(failed, failure, useless)  # from the widest interval, which is the last
    inside = np.clip(days, opens[:, np.newaxis], closes[:, np.newaxis])
    nan = np.full(len(days), np.nan)
    return table.assign(
        error_days=np.where(failed, np.nan, np.where(np.isfinite(median), median, 0.0) - seen),
        inside_interval=(low <= median) & (median <= high),
        crps_days=crps_draws(inside, seen),
        log_score=nan if point else interval_log_score(days, low, high),
        pit_from=nan if point else np.mean(days <= low[:, np.newaxis], axis=1),
        pit_to=nan if point else np.mean(days <= high[:, np.newaxis], axis=1),
        failure=failure,
    )


def failed_rows(
    asked: npt.NDArray[np.int64], leads: Floats, wanted: pd.DataFrame, reason: str
) -> pd.DataFrame:
    """Return the rows of forecasts that could not be made; the reason is in ``failure``."""
    table = wanted.iloc[asked][_KEPT].reset_index(drop=True)
    table["predicted"] = pd.Series(pd.NaT, index=table.index, dtype="datetime64[ns]")
    for level in LEVELS:
        table[f"low{level * 100:.0f}"] = table[f"high{level * 100:.0f}"] = table["predicted"]
        table[f"covered{level * 100:.0f}"] = pd.array([False] * len(table), dtype="boolean")
    unknown = dict.fromkeys(("error_days", "crps_days", "log_score", "pit_from", "pit_to"), np.nan)
    return table.assign(**unknown, inside_interval=False, lead_days=leads, failure=reason)


def _no_interval(low: Floats, high: Floats, opens: Floats, closes: Floats) -> npt.NDArray[np.object_]:
    """Return why an interval says nothing that could be wrong, or an empty text."""
    return np.select(
        [(low <= opens) & (high >= closes), ~np.isfinite(high), ~np.isfinite(low)],
        [
            _SPANS,
            "the 95 % interval has no upper end in the season",
            "the 95 % interval has no lower end in the season",
        ],
        "",
    ).astype(object)


def validation_table(parts: Sequence[pd.DataFrame], trap_years: TrapYears, species: str) -> pd.DataFrame:
    """Return the rows of all folds as one table, with the locations of the traps, in a fixed order."""
    filled = [part for part in parts if len(part)]
    if not filled:
        raise ModelError("no forecaster could be trained and no event forecast.")
    table = pd.concat(filled, ignore_index=True)
    places = trap_years.years.set_index("trap_year").loc[table["trap_year"]]
    for name in ("trap", "site", "season", "year", "latitude", "longitude", "elevation_m"):
        table[name] = places[name].to_numpy()
    table["species"] = species
    order = ["lead_days", "forecaster", "flight", "event", "year", "trap"]
    table = table.sort_values(order, kind="stable", na_position="first")
    return table[list(VALIDATION_COLUMNS)].reset_index(drop=True)
