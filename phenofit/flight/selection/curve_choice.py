"""The shape of the flight curve, chosen by AIC on the very records that are fitted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from phenofit.errors import FitError, ModelError
from phenofit.flight.fitting import fit_flights
from phenofit.flight.kernels.curves import CURVE_CODES, curve_code

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from phenofit.flight.result import FlightFit
    from phenofit.traps import TrapYears

__all__ = ["CHOOSE", "choose_curve", "curve_candidates"]

CHOOSE = "choose"
"""Stands for a choice among all known curves."""


def curve_candidates(curve: str | Sequence[str]) -> tuple[str, ...]:
    """Return the curves to choose from.

    Parameters
    ----------
    curve : str or sequence of str
        A curve, ``"choose"`` for all known ones, or the names of several.

    Returns
    -------
    tuple of str
        Their names, each once.

    Raises
    ------
    ModelError
        If a curve is unknown, or none is given.

    Examples
    --------
    >>> curve_candidates("normal"), curve_candidates(["Normal", "weibull"])
    (('normal',), ('normal', 'Weibull'))
    """
    known = tuple(CURVE_CODES)
    if curve == CHOOSE:
        return known
    names = (curve,) if isinstance(curve, str) else tuple(curve)
    if not names:
        raise ModelError(f"no flight curve is given; known are {', '.join(known)}.")
    return tuple(dict.fromkeys(known[curve_code(name)] for name in names))


def choose_curve(
    trap_years: TrapYears,
    weather: xr.Dataset,
    links: pd.DataFrame,
    *,
    curve: str | Sequence[str] = CHOOSE,
    profiles: bool | tuple[str, ...] = True,
    provenance: Mapping[str, Any] | None = None,
    **options: Any,
) -> FlightFit:
    """Fit flights with the curve that describes these records best.

    Parameters
    ----------
    trap_years, weather, links
        As for :func:`phenofit.flight.fit_flights`.
    curve : str or sequence of str
        A curve (nothing is chosen then), ``"choose"`` for all known ones, or the names to choose from.
    profiles, provenance, **options
        As for :func:`phenofit.flight.fit_flights`; profiles are made for the chosen curve only.

    Returns
    -------
    FlightFit
        The fit of the least AIC, its curve in ``settings.curve``; where there was a choice, what it was is told in
        ``provenance["curve choice"]``.

    Raises
    ------
    FitError
        If no curve could be fitted.

    Notes
    -----
    Among equals the first named is taken. Nothing but the records given takes part: in a validation each fold chooses for itself. The
    intervals of the chosen fit do not know that there was a choice.
    """
    names = curve_candidates(curve)
    if len(names) == 1:
        return fit_flights(
            trap_years, weather, links, curve=names[0], profiles=profiles, provenance=provenance, **options
        )
    fits: dict[str, FlightFit] = {}
    failed: dict[str, str] = {}
    for name in names:
        try:
            fits[name] = fit_flights(trap_years, weather, links, curve=name, profiles=False, **options)
        except FitError as error:
            failed[name] = str(error)
    if not fits:
        raise FitError(
            "no flight curve could be fitted: " + "; ".join(f"{n}: {e}" for n, e in failed.items())
        )
    best = min(fits, key=lambda name: fits[name].aic)
    told = {**dict(provenance or {}), "curve choice": _words(best, fits, failed)}
    if not profiles:
        return replace(fits[best], provenance={**fits[best].provenance, **told})
    return fit_flights(trap_years, weather, links, curve=best, profiles=profiles, provenance=told, **options)


def _words(best: str, fits: Mapping[str, FlightFit], failed: Mapping[str, str]) -> str:
    others = [f"{name} {fit.aic - fits[best].aic:.1f} higher" for name, fit in fits.items() if name != best]
    others += [f"{name} could not be fitted ({reason})" for name, reason in failed.items()]
    return f"{best}, chosen by AIC on the records fitted (AIC of the others: {', '.join(others)})"
