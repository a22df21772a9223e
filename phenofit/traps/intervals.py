"""From checks to intervals: when each catch could have been made."""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan

import numpy as np
import pandas as pd

from phenofit.seasons import Season

LEFT_OUT_REASONS = {
    "not checked": "not checked; where the trap stood, the next catch covers the longer interval",
    "lost": "trap lost or catch spoilt; the interval is left out",
    "no start": "first check of the season; the start of its interval is unknown",
    "outside": "check outside the season",
    "before": "the interval begins before the season",
    "too long": "the interval is longer than the longest accepted",
    "moved": "the trap was moved within the interval",
    "single": "only one interval in the season; a total holds no timing",
}
"""Why a record does not enter the trap-years, in words."""


_UNKNOWN = int(np.datetime64("NaT").astype(np.int64))


@dataclass(frozen=True)
class _Rules:
    """Limits in nanoseconds since 1970; plain integers, since the loop below runs over every check."""

    opens: dict[int, int]
    first_interval: int | None
    longest: int | None


def check_intervals(
    catches: pd.DataFrame,
    season: Season,
    *,
    first_interval_days: float | None = None,
    longest_interval_days: float | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the intervals that the catches cover, and the checks left out."""
    ordered = catches.sort_values(["trap", "check", "row"], kind="stable")
    years = season.year_of(ordered["check"].to_numpy())
    opens = {
        int(y): int(season.first_day(int(y)).astype("datetime64[ns]").astype(np.int64))
        for y in set(years)
        if y >= 0
    }
    rules = _Rules(opens, _nanoseconds(first_interval_days), _nanoseconds(longest_interval_days))
    kept: list[tuple[object, ...]] = []
    dropped: list[tuple[object, ...]] = []
    columns = (ordered[name].tolist() for name in ("trap", "status", "count", "effort", "row"))
    stamps = (
        ordered[name].to_numpy().astype("datetime64[ns]").astype(np.int64).tolist()
        for name in ("set", "check")
    )
    trap_before, standing_since = None, _UNKNOWN
    for trap, status, count, effort, row, set_, check, year in zip(
        *columns, *stamps, years.tolist(), strict=True
    ):
        if trap != trap_before:
            trap_before, standing_since = trap, _UNKNOWN
        start = standing_since if set_ == _UNKNOWN else set_
        if status == "missing":
            dropped.append((trap, year, "not checked", row, 0, check))
            standing_since = start
            continue
        standing_since = check
        reason, start = _start_or_reason(status, start, check, year, set_ == _UNKNOWN, rules)
        if reason:
            dropped.append((trap, year, reason, row, 0 if isnan(count) else int(count), check))
        else:
            kept.append((trap, year, start, check, int(count), status, effort, row))
    return _frames(kept, dropped)


def _nanoseconds(days: float | None) -> int | None:
    return None if days is None else round(days * 86400) * 1_000_000_000


def _start_or_reason(
    status: str, start: int, check: int, year: int, by_row_before: bool, rules: _Rules
) -> tuple[str, int]:
    """Return the reason to leave the interval out (empty: keep it) and its start."""
    if year < 0:
        return "outside", start
    if status == "lost":
        return "lost", start
    opens = rules.opens[year]
    if start == _UNKNOWN or (by_row_before and start < opens):
        if rules.first_interval is None:
            return "no start", start
        start = check - rules.first_interval
    if start < opens:
        return "before", start
    if rules.longest is not None and check - start > rules.longest:
        return "too long", start
    return "", start


def _frames(
    kept: list[tuple[object, ...]], dropped: list[tuple[object, ...]]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    intervals = pd.DataFrame(
        kept, columns=["trap", "year", "start", "end", "count", "status", "effort", "row"]
    ).astype(
        {
            "year": "int64",
            "start": "datetime64[ns]",
            "end": "datetime64[ns]",
            "count": "int64",
            "effort": "float64",
            "row": "int64",
        }
    )
    left_out = pd.DataFrame(dropped, columns=["trap", "year", "reason", "row", "moths", "end"])
    types = {"year": "int64", "row": "int64", "moths": "int64", "end": "datetime64[ns]"}
    return intervals, left_out.astype(types)
