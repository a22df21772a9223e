"""The error of each forecaster, species by species and flight by flight, ready to be drawn."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from phenofit.validate.scores import first_scheme
from phenofit.wording import forecaster_words


@dataclass(frozen=True)
class ScoreRow:
    """One forecaster: ``kind`` is ``fitted``, ``published`` or ``calendar``; errors and their interval [days]."""

    label: str
    kind: str
    mae: float
    low: float
    high: float


@dataclass(frozen=True)
class ScoreGroup:
    """The forecasters of one species and flight."""

    name: str
    rows: tuple[ScoreRow, ...]


def score_groups(scores: pd.DataFrame, *, event: str = "flight_50") -> tuple[ScoreGroup, ...]:
    """Return the mean absolute errors of the fit, the published thresholds and the calendar mean."""
    if scores.empty:
        return ()
    groups = []
    for species, table in scores.groupby("species", sort=False):
        rows = first_scheme(table, event)
        rows = rows[rows["lead_days"].isna()]
        several = rows["flight"].nunique() > 1
        for flight, mine in rows.groupby("flight", sort=True):
            found = [
                ScoreRow(
                    forecaster_words(str(row["forecaster"])),
                    _kind(str(row["forecaster"])),
                    float(row["mae_days"]),
                    float(row["mae_low"]),
                    float(row["mae_high"]),
                )
                for row in mine.sort_values("forecaster").to_dict("records")
                if _kind(str(row["forecaster"])) and pd.notna(row["mae_days"])
            ]
            if found:
                order = ("fitted", "published", "calendar")
                name = f"{species}, flight {flight}" if several else str(species)
                groups.append(ScoreGroup(name, tuple(sorted(found, key=lambda row: order.index(row.kind)))))
    return tuple(groups)


def _kind(forecaster: str) -> str:
    if forecaster == "fitted":
        return "fitted"
    if forecaster.startswith("published:"):
        return "published"
    return "calendar" if forecaster == "calendar mean" else ""
