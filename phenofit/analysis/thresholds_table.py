"""Fitted and published thresholds with the same columns, so that they can be read and used alike."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import pandas as pd

from phenofit.flight.result import EVENT_SHARES
from phenofit.flight.share_heat import share_intervals

if TYPE_CHECKING:
    from phenofit.flight import FlightFit
    from phenofit.validate import PublishedThreshold

THRESHOLD_COLUMNS = (
    "species", "flight", "event", "kind", "amount", "amount_low", "amount_high", "unit", "base", "base_low",
    "base_high", "base_unit", "upper", "cutoff", "method", "start", "source", "known", "id", "verdict",
)  # fmt: skip


def thresholds_table(
    species: str,
    fit: FlightFit,
    published: Sequence[PublishedThreshold] = (),
    *,
    verdicts: Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """Put the thresholds of a fit and published ones into one table."""
    rows = _fitted_rows(species, fit)
    rows += [_published_row(species, row, (verdicts or {}).get(row.id, "")) for row in published]
    return pd.DataFrame(rows, columns=list(THRESHOLD_COLUMNS))


def _fitted_rows(species: str, fit: FlightFit) -> list[dict[str, object]]:
    settings = fit.settings
    base_low, base_high = fit.interval("base") if "base" in fit.profiles else (None, None)
    terms = {
        "species": species, "kind": "fitted", "unit": "degC d", "base": fit.base, "base_low": base_low,
        "base_high": base_high, "base_unit": "degC", "upper": settings.heat.upper,
        "cutoff": settings.heat.cutoff if settings.heat.upper is not None else None,
        "method": settings.heat.method, "start": settings.start_words,
        "source": f"this study: {_size(fit)}", "known": "fitted",
    }  # fmt: skip
    if settings.records == "first catch":
        low, high = fit.interval("requirement_1") if "requirement_1" in fit.profiles else (None, None)
        first = {"flight": 1, "event": "first_catch", "amount": fit.requirement()}
        return [{**terms, **first, "amount_low": low, "amount_high": high}]
    rows = []
    for flight in range(1, settings.flights + 1):
        intervals = share_intervals(fit, tuple(EVENT_SHARES.values()), flight)
        for event, (amount, low, high) in zip(EVENT_SHARES, intervals, strict=True):
            bounds = {"amount": amount, "amount_low": low, "amount_high": high}
            rows.append({**terms, "flight": flight, "event": event, **bounds})
    return rows


def _size(fit: FlightFit) -> str:
    if fit.settings.records == "first catch":
        return f"half of the first catches of {len(fit.data)} trap-years"
    if fit.settings.records == "presence":
        return f"{fit.moths} checks with moths, {len(fit.data)} trap-years"
    return f"{fit.moths} moths, {len(fit.data)} trap-years"


def _published_row(species: str, row: PublishedThreshold, verdict: str) -> dict[str, object]:
    # An amount that is printed without a unit keeps its number; the verdict says that it cannot be used.
    amount, low, high = row.amount, None, row.amount_high
    if row.unit is not None:
        amount = row.amount_degc_d
        low, high = row.range_degc_d if row.amount_high is not None else (None, None)
    kept = ("flight", "event", "base", "upper", "cutoff", "method", "start", "source", "known", "id")
    return {
        "species": species, "kind": "published", "amount": amount, "amount_low": low, "amount_high": high,
        "unit": "degC d" if row.unit is not None else None,
        "base_unit": "degC" if row.base is not None else None,
        "verdict": verdict or (f"cannot be tested: {row.unusable}" if row.unusable else ""),
        **{name: getattr(row, name) for name in kept},
    }  # fmt: skip
