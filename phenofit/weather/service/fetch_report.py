"""What became of each station that was asked for: one row, one named state."""

from __future__ import annotations

import json
from collections.abc import Sequence

import numpy as np
import pandas as pd
import xarray as xr

STATES = {
    "complete": "every day of the years asked for is observed",
    "gaps": "loaded, with days missing",
    "empty": "the service knows the station, but has no data in these years",
    "unknown": "no such station",
    "unreachable": "the server did not answer",
    "partly unreachable": "some years loaded, the server did not answer for others",
    "unreadable": "what the server sent cannot be read",
    "partly unreadable": "some years loaded, others cannot be read",
}

REPORT_COLUMNS = (
    "station", "name", "state", "latitude", "longitude", "elevation_m", "traps", "distance_km",
    "height_difference_m", "days_expected", "days_observed", "days_modelled", "coverage",
    "first_observed", "last_observed", "years_asked", "years_from_store", "detail",
)  # fmt: skip


def state_of(year_states: Sequence[str], observed: int, expected: int, modelled: int) -> str:
    """Return the state of a station from those of its years."""
    for fault in ("unreachable", "unreadable"):
        if fault in year_states:
            return f"partly {fault}" if observed + modelled else fault
    if observed + modelled == 0:
        return "empty"
    return "complete" if observed >= expected else "gaps"


def station_row(
    planned: dict[str, object],
    year_states: dict[int, tuple[str, str]],
    *,
    asked: int,
    stored: int,
    observed: np.ndarray,
    modelled: np.ndarray,
    days: np.ndarray,
    expected: int,
) -> dict[str, object]:
    """Return the report row of one station."""
    count, model = int(observed.sum()), int(modelled.sum())
    seen = days[observed]
    return {
        **{k: planned[k] for k in REPORT_COLUMNS if k in planned},
        "state": state_of([state for state, _ in year_states.values()], count, expected, model),
        "days_expected": expected,
        "days_observed": count,
        "days_modelled": model,
        "coverage": round(count / expected, 4) if expected else 0.0,
        "first_observed": str(seen[0]) if count else "",
        "last_observed": str(seen[-1]) if count else "",
        "years_asked": asked,
        "years_from_store": stored,
        "detail": _reasons(year_states),
    }


def _reasons(year_states: dict[int, tuple[str, str]]) -> str:
    """Return why years are absent, each reason once with its years."""
    years: dict[str, list[int]] = {}
    for year, (state, detail) in sorted(year_states.items()):
        if state != "data":
            years.setdefault(detail, []).append(year)
    return "; ".join(f"{_spans(which)}: {reason}" for reason, which in years.items())


def _spans(years: list[int]) -> str:
    """Return ascending years as spans: "2001, 2004 to 2007"."""
    starts = [y for i, y in enumerate(years) if i == 0 or years[i - 1] != y - 1]
    ends = [y for i, y in enumerate(years) if i == len(years) - 1 or years[i + 1] != y + 1]
    return ", ".join(f"{a}" if a == b else f"{a} to {b}" for a, b in zip(starts, ends, strict=True))


def fetch_report(weather: xr.Dataset) -> pd.DataFrame:
    """Return what became of each station asked for.

    Parameters
    ----------
    weather : xarray.Dataset
        A dataset of :func:`phenofit.weather.fetch_weather`.

    Returns
    -------
    pandas.DataFrame
        One row per station, columns :data:`REPORT_COLUMNS`; ``state`` is a key of :data:`STATES`.
    """
    return pd.DataFrame(json.loads(weather.attrs.get("fetch_report", "[]")), columns=list(REPORT_COLUMNS))
