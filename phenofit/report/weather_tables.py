"""Tables of the page on where the weather came from and what was doubted in it."""

from __future__ import annotations

from typing import Any

import pandas as pd

from phenofit.report.page_tables import PageTable

_FETCHED = ("station", "name", "state", "distance_km", "height_difference_m", "coverage", "detail")


def flags_table(weather: Any) -> PageTable | None:
    """Return how many days of each station carry each flag; None where no day has one."""
    from phenofit.weather import flag_counts

    counts = flag_counts(weather)
    counts = counts.loc[:, counts.sum() > 0] if len(counts.columns) else counts
    if not len(counts.columns):
        return None
    counts = counts[counts.sum(axis=1) > 0]
    rows = tuple((str(station), *(str(int(n)) for n in row)) for station, row in counts.iterrows())
    return PageTable(
        "Days with a mark, by name; a doubted value is missing unless the study keeps it.",
        ("station", *(f"{str(name).replace('_', ' ')} [days]" for name in counts.columns)),
        rows,
        (False, *(True for _ in counts.columns)),
    )


def fetched_table(weather: Any) -> PageTable | None:
    """Return what became of each station asked of the service; None where the weather came from files."""
    from phenofit.weather import fetch_report

    report = fetch_report(weather)
    if report.empty:
        return None
    shown = [name for name in _FETCHED if name in report.columns]
    rows = tuple(tuple("" if pd.isna(v) else str(v) for v in row) for row in report[shown].to_numpy())
    return PageTable(
        "Stations asked of the service, and what became of each.",
        tuple(name.replace("_", " ") for name in shown),
        rows,
        tuple(False for _ in shown),
    )
