"""Whether one flight model is the other with some of its parameters fixed."""

from __future__ import annotations

import math
from dataclasses import dataclass

from phenofit.flight.model import FitSettings
from phenofit.flight.result import FlightFit


@dataclass(frozen=True)
class Nesting:
    """How a smaller model lies within a larger one."""

    degrees: int = 0  # Parameters that the smaller model fixes.
    # Whether one of them is fixed at the end of its range (an SD at zero, a concentration at infinity).
    edge: bool = False
    reason: str = ""  # Why there is no test; empty where there is one.


def nesting(smaller: FlightFit, larger: FlightFit) -> Nesting:
    """Return whether the smaller model is the larger one with parameters fixed."""
    a, b = smaller.settings, larger.settings
    if a.flights != b.flights:
        return Nesting(
            reason="a flight that is not there has no place on the heat scale, and the usual reference does not hold"
        )
    for what, same in (
        ("the flight curves differ", a.curve == b.curve),
        ("heat is summed in different ways", _same_heat(a, b)),
        ("other records are fitted", a.records == b.records),
        ("covariates act on different scales", not a.covariates or a.spread_follows == b.spread_follows),
        (
            "the weather of nights is measured in different ways",
            a.night_weather is None or a.night_weather == b.night_weather,
        ),
        ("the rearing data differ", a.rearing == b.rearing),
        ("the seasons or starts differ", a.season == b.season and a.biofix == b.biofix),
        (
            "the stray shares differ",
            b.stray_fitted or (not a.stray_fitted and math.isclose(a.stray_share, b.stray_share)),
        ),
    ):
        if not same:
            return Nesting(reason=what)
    if not set(a.covariates) <= set(b.covariates) or not set(a.shifts) <= set(b.shifts):
        return Nesting(reason="neither model holds the other")
    if a.counts != b.counts and b.counts != "dirichlet-multinomial":
        return Nesting(reason="neither model holds the other")
    if b.base_held is not None and (a.base_held is None or not math.isclose(a.base_held, b.base_held)):
        return Nesting(reason="the larger model holds the base, the smaller does not hold it there")
    for name, value in b.hold.items():
        if name not in a.hold or not math.isclose(a.hold[name], value):
            return Nesting(reason=f"the larger model holds {name}, the smaller does not hold it there")
    degrees = larger.fitted - smaller.fitted
    if degrees < 1:
        return Nesting(reason="the larger model fits no parameter more")
    edges = len(set(b.shifts) - set(a.shifts)) + (a.counts != b.counts)
    if edges > 1:
        return Nesting(reason="several parameters lie at the end of their range at once: no simple reference")
    return Nesting(degrees, edges == 1)


def _same_heat(a: FitSettings, b: FitSettings) -> bool:
    # A fitted upper threshold holds any held one within its range.
    if a.heat.method != b.heat.method or a.heat.cutoff != b.heat.cutoff:
        return False
    if b.upper_range is None:
        return a.upper_range is None and a.heat.upper == b.heat.upper
    return a.upper_range is not None or a.heat.upper is not None
