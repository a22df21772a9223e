"""The shape of the flight curve, chosen by AIC on the same records that are fitted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from phenofit.errors import FitError
from phenofit.flight.fitting import FitOptions, Found, fit_at_maximum, search_data

if TYPE_CHECKING:
    from phenofit.flight.estimate.maximise import Maximum
    from phenofit.flight.likelihood.flight_data import FlightData
    from phenofit.flight.model import FitSettings
    from phenofit.flight.result import FlightFit

CURVE_NOTE = "curve choice"
"""Key of the account of the choice in a fit's provenance."""


def choose_curve(
    data: FlightData, settings: FitSettings, curves: tuple[str, ...], options: FitOptions
) -> tuple[FlightFit, Maximum]:
    """Fit one number of flights with the curve of least AIC, among equals the first named; return the search's end too."""
    if len(curves) == 1:
        return fit_at_maximum(data, replace(settings, curve=curves[0]), options)
    found: dict[str, Found] = {}
    failed: dict[str, str] = {}
    for name in curves:
        # Requirement and spread mean the same for every curve: where the first search ended is the start of the others.
        begin = next(iter(found.values())).maximum if found else options.begin
        try:
            found[name] = search_data(data, replace(settings, curve=name), options.near, begin)
        except FitError as error:
            failed[name] = str(error)
    if not found:
        raise FitError(
            "no flight curve could be fitted: " + "; ".join(f"{n}: {e}" for n, e in failed.items())
        )
    # A search that has not arrived understates the likelihood: the least AIC is the best in any case.
    best = min(found, key=lambda name: found[name].aic)
    kept = {**options.provenance, CURVE_NOTE: _words(best, found, failed)}
    settled = replace(options, provenance=kept, begin=found[best].maximum)
    return fit_at_maximum(data, replace(settings, curve=best), settled)


def _words(best: str, found: Mapping[str, Found], failed: Mapping[str, str]) -> str:
    others = [f"{name} {one.aic - found[best].aic:+.1f}" for name, one in found.items() if name != best]
    others += [f"{name} could not be fitted ({reason})" for name, reason in failed.items()]
    return (
        f"{best}, chosen by AIC on the records fitted (AIC of the others less its own: {', '.join(others)})"
    )
