"""From checks to intervals: when each catch could have been made."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
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

MOST_INTERVAL_DAYS = 366.0


def interval_days_fault(days: float) -> str:
    """Return why a number of days is no length of a check interval, or an empty text."""
    least = 1.0 / 24.0  # one hour: shorter ones come from a wrong unit
    if least <= days <= MOST_INTERVAL_DAYS:
        return ""
    return f"is not a number of days from one hour ({least:.4f}) to {MOST_INTERVAL_DAYS:g}"


def check_intervals(
    catches: pd.DataFrame,
    season: Season,
    *,
    first_interval_days: float | None = None,
    longest_interval_days: float | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the intervals that the catches cover, and the checks left out."""
    ordered = catches.sort_values(["trap", "check", "row"], kind="stable", ignore_index=True)
    check = ordered["check"].to_numpy().astype("datetime64[ns]")
    given = ordered["set"].to_numpy().astype("datetime64[ns]")
    trap = pd.factorize(ordered["trap"])[0]
    missing, lost = ((ordered["status"] == word).to_numpy(dtype=bool) for word in ("missing", "lost"))
    year = season.year_of(check)
    labels, place = np.unique(year, return_inverse=True)
    opens = np.array([season.first_day(max(int(y), 1)) for y in labels], dtype="datetime64[ns]")[place]
    start = np.where(np.isnat(given), _standing_since(trap, given, check, missing), given)
    # A start that follows from the row before may lie in another season; then it is not known either.
    unknown = np.isnat(start) | (np.isnat(given) & (start < opens))
    if first_interval_days is not None:
        first = _nanoseconds(first_interval_days)
        start, unknown = np.where(unknown, check - first, start), np.zeros(len(check), dtype=bool)
    too_long = np.zeros(len(check), dtype=bool)
    if longest_interval_days is not None:
        too_long = check - start > _nanoseconds(longest_interval_days)
    # The first that holds is the reason.
    rules = {
        "not checked": missing,
        "outside": year < 0,
        "lost": lost,
        "no start": unknown,
        "before": start < opens,
        "too long": too_long,
    }
    reason = np.select(list(rules.values()), list(rules), default="").astype(object)
    used = reason == ""
    table = ordered[["trap", "count", "status", "effort", "row"]].assign(year=year, start=start, end=check)
    kept = table.loc[used, ["trap", "year", "start", "end", "count", "status", "effort", "row"]]
    moths = table["count"].fillna(0.0).mask(missing, 0.0)
    left_out = table.assign(reason=reason, moths=moths)
    left_out = left_out.loc[~used, ["trap", "year", "reason", "row", "moths", "end"]]
    return (
        kept.astype({"count": "int64", "effort": "float64", "row": "int64"}).reset_index(drop=True),
        left_out.astype({"row": "int64", "moths": "int64"}).reset_index(drop=True),
    )


def _standing_since(
    trap: npt.NDArray[np.int64],
    given: npt.NDArray[np.datetime64],
    check: npt.NDArray[np.datetime64],
    missing: npt.NDArray[np.bool_],
) -> npt.NDArray[np.datetime64]:
    """Return from what time the trap of each row has stood, by the rows before it; NaT where they do not show it."""
    row = np.arange(len(trap))
    # A check empties the trap. A missed one leaves it as it stood, unless its row says when it was set.
    tells = ~missing | ~np.isnat(given)
    since = np.where(missing, given, check)
    last = np.maximum.accumulate(np.where(tells, row, -1))
    before = np.concatenate([[-1], last[:-1]])[: len(row)]
    begins = np.concatenate([[True], trap[1:] != trap[:-1]])[: len(row)]
    first = np.maximum.accumulate(np.where(begins, row, 0))
    known = before >= first
    return np.where(
        known, since[np.where(known, before, 0)] if len(row) else since, np.datetime64("NaT", "ns")
    )


def _nanoseconds(days: float) -> np.timedelta64:
    return np.timedelta64(round(days * 86400) * 1_000_000_000, "ns")
