"""What of a trap-year's checks enters a fit: counts, presence alone, or the first catch alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

RECORDS = ("counts", "presence", "first catch")
"""Kinds of records that can be fitted."""


@dataclass(frozen=True)
class Checks:
    """The observed intervals of one trap-year in the order of time."""

    start: npt.NDArray[np.datetime64]  # Intervals.
    end: npt.NDArray[np.datetime64]
    count: npt.NDArray[np.float64]  # Moths, NaN where not known.
    counted: npt.NDArray[np.bool_]  # Whether the count is exact.
    effort: npt.NDArray[np.float64]  # Effort.

    def __len__(self) -> int:
        """Return the number of intervals."""
        return len(self.end)

    def only(self, keep: npt.NDArray[np.bool_]) -> Checks:
        """Return some of the intervals."""
        if keep.all():
            return self
        return Checks(
            self.start[keep], self.end[keep], self.count[keep], self.counted[keep], self.effort[keep]
        )


def by_trap_year(intervals: pd.DataFrame) -> dict[int, Checks]:
    """Return the intervals of each trap-year, by its number."""
    number = intervals["trap_year"].to_numpy(dtype=np.int64)
    end = intervals["end"].to_numpy().astype("datetime64[ns]")
    order = np.lexsort((end, number))
    number = number[order]
    start = intervals["start"].to_numpy().astype("datetime64[ns]")[order]
    end = end[order]
    count = intervals["count"].to_numpy(dtype=np.float64)[order]
    counted = (intervals["status"] == "counted").to_numpy(dtype=bool)[order]
    effort = intervals["effort"].to_numpy(dtype=np.float64)[order]
    labels, first = np.unique(number, return_index=True)
    last = np.append(first[1:], len(number))
    return {
        int(label): Checks(start[a:b], end[a:b], count[a:b], counted[a:b], effort[a:b])
        for label, a, b in zip(labels, first, last, strict=True)
    }


@dataclass(frozen=True)
class Kept:
    """The intervals of one trap-year that enter, or why it does not."""

    # Intervals in the order of time; a start that is not a time stands for the season's own.
    start: npt.NDArray[np.datetime64]
    end: npt.NDArray[np.datetime64]
    count: npt.NDArray[np.int64]  # Moths, or what they are at least.
    is_open: npt.NDArray[np.int64]  # 1 where the count is known only from below.
    effort: npt.NDArray[np.float64]  # Effort.
    total: int  # Moths counted.
    whole: float = 0.0  # See :class:`phenofit.flight.likelihood.flight_data.FlightData`.
    reason: str = ""  # Why the trap-year does not enter; empty where it does.


def keep_records(checks: Checks, records: str) -> Kept:
    """Choose what enters of one trap-year."""
    start, end, effort, counted = checks.start, checks.end, checks.effort, checks.counted
    count = np.where(np.isfinite(checks.count), checks.count, 1.0).astype(np.int64)
    caught = (count > 0) | ~counted
    is_open = np.where(counted, 0, 1).astype(np.int64)
    reason = ""
    if not caught.any():
        reason = "no moth caught: no timing in it"
    elif len(checks) == 1 and records != "first catch":
        reason = "a single check interval: no timing in it"
    if records == "first catch" and not reason:
        return _first_catch(end, caught)
    if records == "presence":
        if caught.all() and not reason:
            reason = "moths at every check: no timing in their presence"
        return Kept(
            start,
            end,
            caught.astype(np.int64),
            np.zeros_like(is_open),
            effort,
            int(caught.sum()),
            0.0,
            reason,
        )
    count = np.where(is_open > 0, np.maximum(count, 1), count)
    total = int(count[is_open == 0].sum())
    if total == 0 and not reason:
        reason = "moths seen but never counted: their timing can be fitted as records of presence"
    return Kept(start, end, count, is_open, effort, total, 0.0, reason)


def _first_catch(end: npt.NDArray[np.datetime64], caught: npt.NDArray[np.bool_]) -> Kept:
    first = int(np.flatnonzero(caught)[0])
    # The moth may have flown at any time since the last check without one; where there is no such check, since heat
    # began to be summed.
    since = end[first - 1] if first > 0 else np.datetime64("NaT", "ns")
    one = np.ones(1, dtype=np.int64)
    return Kept(
        np.array([since], dtype="datetime64[ns]"),
        end[first : first + 1],
        one,
        0 * one,
        np.ones(1),
        1,
        whole=1.0,
    )
