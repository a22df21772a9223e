"""The shape of the flight curve, chosen by AIC on the very records that are fitted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from phenofit.errors import FitError
from phenofit.flight.fitting import FitOptions, fit_records

if TYPE_CHECKING:
    from phenofit.flight.model import FlightModel
    from phenofit.flight.result import FlightFit
    from phenofit.records import Records


def choose_curve(records: Records, model: FlightModel, options: FitOptions) -> FlightFit:
    """Fit one number of flights with the curve of least AIC; among equals the first named is taken."""
    if len(model.curves) == 1:
        return fit_records(records, model, options)
    fits: dict[str, FlightFit] = {}
    failed: dict[str, str] = {}
    for name in model.curves:
        try:
            fits[name] = fit_records(
                records, replace(model, curve=name), replace(options, profiles=False, provenance={})
            )
        except FitError as error:
            failed[name] = str(error)
    if not fits:
        raise FitError(
            "no flight curve could be fitted: " + "; ".join(f"{n}: {e}" for n, e in failed.items())
        )
    best = min(fits, key=lambda name: fits[name].aic)
    kept = {**options.provenance, "curve choice": _words(best, fits, failed)}
    if not options.profiles:
        return replace(fits[best], provenance={**fits[best].provenance, **kept})
    return fit_records(records, replace(model, curve=best), replace(options, provenance=kept))


def _words(best: str, fits: Mapping[str, FlightFit], failed: Mapping[str, str]) -> str:
    others = [f"{name} {fit.aic - fits[best].aic:.1f} higher" for name, fit in fits.items() if name != best]
    others += [f"{name} could not be fitted ({reason})" for name, reason in failed.items()]
    return f"{best}, chosen by AIC on the records fitted (AIC of the others: {', '.join(others)})"
