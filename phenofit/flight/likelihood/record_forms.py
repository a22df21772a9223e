"""What of a trap-year's checks enters a fit: counts, presence alone, or the first catch alone."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt
import pandas as pd

RECORDS = ("counts", "presence", "first catch")
"""Kinds of records that can be fitted."""


@dataclass(frozen=True)
class Checks:
    """Observed intervals of trap-years, one after the other, each in the order of time."""

    of: npt.NDArray[np.int64]  # Place of the trap-year of each interval; never falls.
    start: npt.NDArray[np.datetime64]  # Intervals.
    end: npt.NDArray[np.datetime64]
    count: npt.NDArray[np.float64]  # Moths, NaN where not known.
    counted: npt.NDArray[np.bool_]  # Whether the count is exact.
    effort: npt.NDArray[np.float64]  # Effort.

    def only(self, keep: npt.NDArray[np.bool_]) -> Checks:
        """Return some of the intervals."""
        return Checks(*(getattr(self, part.name)[keep] for part in fields(self)))


def checks_of(intervals: pd.DataFrame, numbers: npt.NDArray[np.int64]) -> Checks:
    """Return the intervals of the trap-years with these numbers, which rise."""
    number = intervals["trap_year"].to_numpy(dtype=np.int64)
    end = intervals["end"].to_numpy().astype("datetime64[ns]")
    order = np.lexsort((end, number))
    order = order[np.isin(number[order], numbers)]
    return Checks(
        np.searchsorted(numbers, number[order]),
        intervals["start"].to_numpy().astype("datetime64[ns]")[order],
        end[order],
        intervals["count"].to_numpy(dtype=np.float64)[order],
        (intervals["status"] == "counted").to_numpy(dtype=bool)[order],
        intervals["effort"].to_numpy(dtype=np.float64)[order],
    )


@dataclass(frozen=True)
class Kept:
    """The intervals that enter, and why trap-years do not."""

    of: npt.NDArray[np.int64]
    # Intervals in the order of time; a start that is not a time (NaT) means the start of the season.
    start: npt.NDArray[np.datetime64]
    end: npt.NDArray[np.datetime64]
    count: npt.NDArray[np.int64]  # Moths, or what they are at least.
    is_open: npt.NDArray[np.int64]  # 1 where the count is known only from below.
    effort: npt.NDArray[np.float64]  # Effort.
    total: npt.NDArray[np.int64]  # Shape (trap-years,): Moths counted.
    reason: npt.NDArray[np.object_]  # Shape (trap-years,): Why one does not enter; empty where it does.
    whole: float = 0.0  # See :class:`phenofit.flight.likelihood.flight_data.FlightData`.


def keep_records(checks: Checks, trap_years: int, records: str) -> Kept:
    """Choose what enters of each trap-year; one without intervals is given no reason."""

    def number(which: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
        return np.bincount(checks.of[which], minlength=trap_years)

    count = np.where(np.isfinite(checks.count), checks.count, 1.0).astype(np.int64)
    caught = (count > 0) | ~checks.counted
    is_open = np.where(checks.counted, 0, 1).astype(np.int64)
    size, with_moths = number(np.ones(len(caught), dtype=bool)), number(caught)
    rules = {"no moth caught: no timing in it": with_moths == 0}
    whole = 0.0
    if records != "first catch":
        rules["a single check interval: no timing in it"] = size == 1
    start, end, effort = checks.start, checks.end, checks.effort
    enters = np.ones(len(caught), dtype=bool)
    if records == "first catch":
        # The moth may have flown at any time since the last check without one; where there is no such check, since
        # heat began to be summed.
        at = np.flatnonzero(caught)
        at = at[np.concatenate([[True], checks.of[at][1:] != checks.of[at][:-1]])[: len(at)]]
        enters = np.isin(np.arange(len(caught)), at)
        begins = np.concatenate([[True], checks.of[1:] != checks.of[:-1]])[: len(caught)]
        before = np.concatenate([end[:1], end[:-1]])
        start, effort, whole = np.where(begins, np.datetime64("NaT", "ns"), before), np.ones(len(caught)), 1.0
    elif records == "presence":
        rules["moths at every check: no timing in their presence"] = with_moths == size
    if records in ("first catch", "presence"):
        count, is_open = caught.astype(np.int64), np.zeros_like(is_open)
    else:
        count = np.where(is_open > 0, np.maximum(count, 1), count)
    closed = enters & (is_open == 0)
    total = np.zeros(trap_years, dtype=np.int64)
    np.add.at(total, checks.of[closed], count[closed])
    if records == "counts":
        rules["moths seen but never counted: their timing can be fitted as records of presence"] = total == 0
    reason = np.select([rule & (size > 0) for rule in rules.values()], list(rules), default="").astype(object)
    enters &= (reason == "")[checks.of]
    return Kept(
        checks.of[enters],
        start[enters],
        end[enters],
        count[enters],
        is_open[enters],
        effort[enters],
        total,
        reason,
        whole,
    )
