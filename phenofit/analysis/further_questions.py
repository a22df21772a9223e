"""Further questions of a study: do groups of traps differ in their requirement, and which start date describes the catches best."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from phenofit.errors import DataError, FitError, ModelError
from phenofit.flight import Contrast, StartProfile, contrast, profile_start

if TYPE_CHECKING:
    from phenofit.flight import FlightModel
    from phenofit.records import Records


def further_questions(
    records: Records, model: FlightModel, *, contrasts: Sequence[str], starts: Sequence[str]
) -> tuple[str, ...]:
    """Return the answers as sentences; what cannot be answered says why."""
    found: list[str] = []
    for column in contrasts:
        try:
            found += _contrast_sentences(contrast(records, model, column))
        except (DataError, FitError, ModelError) as error:
            found.append(f"Whether the requirement depends on {column} cannot be tested: {error}")
    if starts:
        try:
            found += _start_sentences(profile_start(records, model, starts=starts))
        except (DataError, FitError, ModelError) as error:
            found.append(f"The start dates cannot be compared: {error}")
    return tuple(found)


def _contrast_sentences(found: Contrast) -> list[str]:
    several = found.fit.settings.flights > 1
    parts = []
    for row in found.table.to_dict("records"):
        flight = f", flight {row['flight']}" if several else ""
        ends = [f"{value:.0f}" if math.isfinite(value) else "open" for value in (row["low"], row["high"])]
        parts.append(f"{row['level']}{flight} {row['requirement']:.0f} ({ends[0]} to {ends[1]})")
    interval = f"{100 * found.fit.settings.level:g} % interval"
    return [f"{found.sentence()} Requirement in °C-days ({interval}): {'; '.join(parts)}.", *found.remarks]


def _start_sentences(found: StartProfile) -> list[str]:
    table = found.table.dropna(subset=["log_likelihood"])
    parts = [
        f"{row['start']}: base {row['base']:.1f} °C, requirement {row['requirement_1']:.0f} °C-days"
        for row in table.to_dict("records")
    ]
    inside = ", ".join(found.inside)
    best = f"Of the start dates compared, {found.best} describes the catches best"
    cut = f"within the rough {100 * found.level:g} % cut: {inside}"
    return [f"{best}; {cut}. {'; '.join(parts)}.", *found.problems]
