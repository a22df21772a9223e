"""The shape of the flight curve, chosen by AIC on the very records that are fitted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from phenofit.errors import FitError
from phenofit.flight.fitting import fit_records
from phenofit.progress import Progress

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from phenofit.flight.model import FlightModel
    from phenofit.flight.result import FlightFit
    from phenofit.records import Records


def choose_curve(
    records: Records,
    model: FlightModel,
    *,
    profiles: bool | tuple[str, ...] = True,
    precise: bool = True,
    provenance: Mapping[str, object] | None = None,
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> FlightFit:
    """Fit one number of flights with the curve of least AIC; among equals the first named is taken."""
    names = model.curves
    if len(names) == 1:
        return fit_records(
            records, model, profiles=profiles, precise=precise, provenance=provenance, progress=progress,
            executor=executor,
        )  # fmt: skip
    fits: dict[str, FlightFit] = {}
    failed: dict[str, str] = {}
    for name in names:
        try:
            fits[name] = fit_records(
                records, replace(model, curve=name), profiles=False, precise=precise, progress=progress
            )
        except FitError as error:
            failed[name] = str(error)
    if not fits:
        raise FitError(
            "no flight curve could be fitted: " + "; ".join(f"{n}: {e}" for n, e in failed.items())
        )
    best = min(fits, key=lambda name: fits[name].aic)
    kept = {**dict(provenance or {}), "curve choice": _words(best, fits, failed)}
    if not profiles:
        return replace(fits[best], provenance={**fits[best].provenance, **kept})
    return fit_records(
        records, replace(model, curve=best), profiles=profiles, precise=precise, provenance=kept,
        progress=progress, executor=executor,
    )  # fmt: skip


def _words(best: str, fits: Mapping[str, FlightFit], failed: Mapping[str, str]) -> str:
    others = [f"{name} {fit.aic - fits[best].aic:.1f} higher" for name, fit in fits.items() if name != best]
    others += [f"{name} could not be fitted ({reason})" for name, reason in failed.items()]
    return f"{best}, chosen by AIC on the records fitted (AIC of the others: {', '.join(others)})"
