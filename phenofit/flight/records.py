"""What of a trap-year's checks enters a fit: counts, presence alone, or the first catch alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = ["RECORDS", "Kept", "keep_records"]

RECORDS = ("counts", "presence", "first catch")
"""Kinds of records that can be fitted."""


@dataclass(frozen=True)
class Kept:
    """The intervals of one trap-year that enter, or why it does not.

    Attributes
    ----------
    start, end : array of datetime64[ns]
        Intervals in the order of time; a start that is not a time stands for the season's own.
    count : array of int
        Moths, or what they are at least.
    is_open : array of int
        1 where the count is known only from below.
    effort : array
        Effort.
    total : int
        Moths counted.
    whole : float
        See :class:`phenofit.flight.data.FlightData`.
    reason : str
        Why the trap-year does not enter; empty where it does.
    """

    start: npt.NDArray[np.datetime64]
    end: npt.NDArray[np.datetime64]
    count: npt.NDArray[np.int64]
    is_open: npt.NDArray[np.int64]
    effort: npt.NDArray[np.float64]
    total: int
    whole: float = 0.0
    reason: str = ""


def keep_records(frame: pd.DataFrame, records: str) -> Kept:
    """Choose what enters of one trap-year.

    Parameters
    ----------
    frame : DataFrame
        ``start, end, count, status, effort`` of its observed intervals.
    records : str
        One of ``RECORDS``.

    Returns
    -------
    Kept
        For ``"counts"`` all of it, catches that were not counted as "at least"; for ``"presence"`` every catch as a
        one; for ``"first catch"`` the single interval in which the first moth came.
    """
    frame = frame.sort_values("end", kind="stable")
    start = frame["start"].to_numpy().astype("datetime64[ns]")
    end = frame["end"].to_numpy().astype("datetime64[ns]")
    effort = frame["effort"].to_numpy(dtype=np.float64)
    counted = frame["status"].to_numpy() == "counted"
    raw = frame["count"].to_numpy(dtype=np.float64)
    count = np.where(np.isfinite(raw), raw, 1.0).astype(np.int64)
    caught = (count > 0) | ~counted
    is_open = np.where(counted, 0, 1).astype(np.int64)
    reason = ""
    if not caught.any():
        reason = "no moth caught: no timing in it"
    elif len(frame) == 1 and records != "first catch":
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
