"""When an event was seen: crossings by hand, and what may not be read from a record."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from phenofit.errors import ModelError
from phenofit.traps import TrapYears
from tests.calls import observed_events


def record(
    counts: list[float], *, days: list[int] | None = None, gap_before: dict[int, float] | None = None,
    effort: list[float] | None = None, status: str = "counted",
) -> TrapYears:  # fmt: skip
    """Return one trap-year from 1 May 2020 with checks of a week, or of `days`, and gaps before some intervals."""
    length = days or [7] * len(counts)
    rows = []
    at = np.datetime64("2020-05-01T12:00", "ns")
    for k, (count, span) in enumerate(zip(counts, length, strict=True)):
        at = at + np.timedelta64(round(1440 * (gap_before or {}).get(k, 0)), "m")
        end = at + np.timedelta64(span, "D")
        rows.append(
            (
                0,
                "A",
                "A",
                "2020",
                2020,
                at,
                end,
                int(count),
                status,
                (effort or [1.0] * len(counts))[k],
                k + 2,
            )
        )
        at = end
    names = [
        "trap_year",
        "trap",
        "site",
        "season",
        "year",
        "start",
        "end",
        "count",
        "status",
        "effort",
        "row",
    ]
    intervals = pd.DataFrame(rows, columns=names)
    years = pd.DataFrame(
        {
            "trap_year": [0], "trap": ["A"], "site": ["A"], "season": ["2020"], "year": [2020],
            "total": [sum(counts)], "checks": [len(counts)], "latitude": [1.0], "longitude": [2.0], "elevation_m": [3.0],
        }
    )  # fmt: skip
    return TrapYears(intervals, years, pd.DataFrame(columns=["trap", "season", "reason", "rows", "records"]))


def one(found: TrapYears, event: str, sustained: int = 2) -> tuple[str, str, str]:
    """Return the dates of one event that must have been found."""
    result = observed_events(found, events=[event], sustained=sustained)
    row = result.table.iloc[0]
    return tuple(str(row[c])[:16] for c in ("observed_from", "observed_to", "observed"))  # type: ignore[return-value]


def why(found: TrapYears, event: str) -> str:
    """Return why an event has no date."""
    result = observed_events(found, events=[event])
    assert result.table.empty
    return str(result.left_out["reason"].iloc[0])


def test_half_of_the_catch_is_reached_inside_its_interval() -> None:
    # 2, 8, 10, 0 moths: half of 20 is reached at the end of the second week; a quarter 3/8 into it.
    found = record([0, 2, 8, 10, 0])
    assert one(found, "flight_50") == ("2020-05-15 12:00", "2020-05-22 12:00", "2020-05-22 12:00")
    assert one(found, "flight_25")[2] == "2020-05-18 03:00"  # 15 May 12:00 + 7 d * 3/8


def test_effort_scales_the_catch() -> None:
    # With two traps in the third week its 16 moths count as 8.
    assert one(record([0, 2, 16, 10, 0], effort=[1, 1, 2, 1, 1]), "flight_50")[2] == "2020-05-22 12:00"


def test_first_and_last_catch_and_peak() -> None:
    found = record([0, 1, 0, 6, 9, 2, 0])
    assert one(found, "first_catch")[:2] == ("2020-05-08 12:00", "2020-05-15 12:00")
    assert one(found, "first_sustained_catch")[:2] == ("2020-05-22 12:00", "2020-05-29 12:00")
    assert one(found, "first_sustained_catch", sustained=1)[:2] == one(found, "first_catch")[:2]
    assert one(found, "peak")[:2] == ("2020-05-29 12:00", "2020-06-05 12:00")
    assert one(found, "end")[:2] == ("2020-06-05 12:00", "2020-06-12 12:00")


def test_the_peak_is_a_rate_not_a_count() -> None:
    # Twelve moths in 14 days are fewer a day than eight in 4.
    assert one(record([0, 12, 8, 0], days=[7, 14, 4, 7]), "peak")[0] == "2020-05-22 12:00"


@pytest.mark.parametrize(
    ("found", "event", "reason"),
    [
        (record([0, 1, 2, 1, 0]), "flight_50", "fewer than 5 moths"),
        (record([9, 9, 5, 0]), "flight_50", "set after the flight had begun"),
        (record([0, 5, 9, 9]), "flight_50", "taken in before the flight had ended"),
        (record([0, 9, 9, 0], gap_before={2: 21}), "flight_50", "a gap in the checks could hold the event"),
        (record([3, 9, 5, 0]), "first_catch", "the trap was set, or a gap ends, after the first moth"),
        (record([0, 0, 5, 9, 2, 0], gap_before={2: 14}), "first_catch", "after the first moth"),
        (record([0, 9, 9, 3]), "end", "before the last moth"),
        (record([0, 9, 9, 0]), "peak", "several checks share the highest rate"),
        (record([0, 9, 0, 9, 0]), "first_sustained_catch", "no 2 successive checks"),
        (record([0, 9, 9, 0], status="at least"), "flight_50", "not counted"),
    ],
)
def test_what_cannot_be_read_is_left_out_with_its_reason(found: TrapYears, event: str, reason: str) -> None:
    assert reason in why(found, event)


def test_a_gap_far_from_the_crossing_does_no_harm() -> None:
    found = record([0, 1, 22, 18, 1, 0], gap_before={5: 14})
    assert one(found, "flight_50")[0] == "2020-05-15 12:00"


def test_an_unknown_event_is_refused() -> None:
    with pytest.raises(ModelError, match="no flight event 'flight_160'"):
        observed_events(record([1, 2]), events=["flight_160"])
