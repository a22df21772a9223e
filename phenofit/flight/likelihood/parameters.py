"""The parameters of a flight model in the order of the vector: names, scale of the search, units, bounds, words."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

# Below this a shift SD cannot be distinguished from zero, above this concentration counts are multinomial.
SMALLEST_SD = 0.5
LARGEST_SD = 1000.0
LARGEST_CONCENTRATION = 1e5
INDEPENDENT = 1e13
"""Concentration at which moths are independent to the last digit: the value used for the multinomial."""
_NO_SHIFT = 1e-3


def _logs(low: float, high: float) -> tuple[float, float]:
    return float(np.log(low)), float(np.log(high))


_SHIFT_BOUNDS = _logs(SMALLEST_SD, LARGEST_SD)


@dataclass(frozen=True)
class Parameter:
    """Properties of a parameter that are the same in every model and for every flight."""

    name: str  # In results, without the flight.
    words: str  # On a page.
    transform: str = ""  # Scale of the search: "log", "logit", or the value itself.
    unit: str = "1"
    bounds: tuple[float, float] = (
        -math.inf,
        math.inf,
    )  # Of the search, on its scale; a model may set others.
    inner: str = ""  # In the vector, where it differs.
    first_flight: int = 0  # First flight that has one; 0 where it belongs to no flight.
    on_heat_scale: bool = False  # Whether a value holds for one base, method and start only.
    is_sd: bool = False
    part: str = ""  # Part that a model must have for the parameter to play a part; empty for all models.
    absent: float | None = None  # Natural value that the vector has where a fit lacks the parameter.

    @property
    def any_sign(self) -> bool:
        """Whether values may be zero or below."""
        return not self.transform and self.bounds[0] < 0.0

    @property
    def from_zero(self) -> bool:
        """Whether an interval that is open below ends at zero."""
        return self.is_sd or self.transform == "logit"

    def searched(self, value: float) -> float:
        """Return a natural value on the scale of the search."""
        if self.transform == "logit":
            return math.log(value / (1.0 - value))
        return math.log(value) if self.transform else value

    def natural(self, value: float) -> float:
        """Return a value of the vector on the natural scale."""
        if self.transform == "logit":
            return 1.0 / (1.0 + math.exp(-value))
        return math.exp(value) if self.transform else value


_EFFECT = Parameter("effect", "effect on the log requirement", bounds=(-5.0, 5.0))

TABLE = (
    Parameter("base", "base temperature", unit="degC"),
    Parameter(
        "requirement", "requirement: heat at half of the flight", unit="degC d", bounds=(1.0, math.inf),
        first_flight=1, on_heat_scale=True,
    ),
    Parameter(
        "spread", "spread of the flight", "log", "degC d", _logs(1.0, 2000.0), first_flight=1, on_heat_scale=True
    ),
    Parameter(
        "concentration", "concentration of counts (small: swarms)", "log", bounds=_logs(0.05, LARGEST_CONCENTRATION),
        part="overdispersion", absent=INDEPENDENT,
    ),
    Parameter(
        "shift_sd_year", "between-year SD of the shift", "log", "degC d", _SHIFT_BOUNDS, inner="group_sd",
        on_heat_scale=True, is_sd=True, part="group", absent=_NO_SHIFT,
    ),
    Parameter(
        "shift_sd", "between-trap-year SD of the shift", "log", "degC d", _SHIFT_BOUNDS,
        on_heat_scale=True, is_sd=True, part="own shift", absent=_NO_SHIFT,
    ),
    Parameter("size", "log ratio to flight 1, mean", bounds=(-7.0, 7.0), first_flight=2),
    Parameter(
        "size_sd", "log ratio to flight 1, SD", "log", bounds=_logs(0.01, 4.0), first_flight=2, is_sd=True
    ),
    Parameter("stray_share", "share of stray moths", "logit", bounds=(-12.0, -0.5), inner="stray"),
    Parameter(
        "upper", "upper threshold", unit="degC", bounds=(15.0, 45.0), on_heat_scale=True, part="fitted upper threshold"
    ),
    Parameter(
        "shift_sd_site", "between-site SD of the shift", "log", "degC d", _SHIFT_BOUNDS, inner="cross_sd",
        on_heat_scale=True, is_sd=True, part="crossed groups", absent=_NO_SHIFT,
    ),
    Parameter(
        "abundance", "moths of a trap in a season, typical", "log", "moths", _logs(0.01, 1e6),
        part="presence", absent=1.0,
    ),
    Parameter(
        "abundance_sd", "how much that differs between trap-years (SD of its logarithm)", "log",
        bounds=_logs(0.01, 6.0), is_sd=True, part="presence", absent=1.0,
    ),
    Parameter(
        "night_effect", "effect of a night 1 °C warmer on the log catch", unit="1/degC", bounds=(-1.0, 1.0),
        inner="night", part="night weather", absent=0.0,
    ),
    _EFFECT,
)  # fmt: skip
"""In the order of :class:`phenofit.flight.kernels.arguments.Places`."""

_BY_NAME = {parameter.name: parameter for parameter in TABLE if parameter is not _EFFECT}


@dataclass(frozen=True)
class Entry:
    """One entry of the parameter vector."""

    parameter: Parameter
    tail: str = ""  # What follows the name: the flight or the covariate.

    @property
    def name(self) -> str:
        """Name in the vector, with the scale of the search before."""
        return self._scaled((self.parameter.inner or self.parameter.name) + self.tail)

    def plain(self, group: str | None, crossed: bool) -> str:
        """Return the name in results, where trap-years share the shift of a group."""
        name = self.parameter.name
        if self.parameter.inner == "group_sd":
            name = f"shift_sd_{group or 'year'}"
        elif self.parameter.inner == "cross_sd" and not crossed:
            name = "cross_sd"
        return name + self.tail

    def public(self, group: str | None, crossed: bool) -> str:
        """Return the name in results, with the scale of the search before."""
        return self._scaled(self.plain(group, crossed))

    def _scaled(self, plain: str) -> str:
        return f"{self.parameter.transform} {plain}" if self.parameter.transform else plain


def entries_of(flights: int, covariates: tuple[str, ...]) -> tuple[Entry, ...]:
    """Return the entries of a vector."""
    found = []
    for parameter in TABLE:
        if parameter is _EFFECT:
            tails = [f" {name}" for name in covariates]
        elif parameter.first_flight:
            tails = [f"_{flight}" for flight in range(parameter.first_flight, flights + 1)]
        else:
            tails = [""]
        found += [Entry(parameter, tail) for tail in tails]
    return tuple(found)


def plain_name(public: str) -> str:
    """Return the name of a parameter in results, without the scale of the search."""
    return public.removeprefix("log ").removeprefix("logit ")


def split_name(public: str) -> tuple[str, int | None]:
    """Return a name without its flight, and the flight; the effect of a column such as ``zone_2`` has none."""
    plain = plain_name(public)
    head, _, tail = plain.rpartition("_")
    flighted = head in _BY_NAME and _BY_NAME[head].first_flight > 0
    return (head, int(tail)) if flighted and tail.isdecimal() else (plain, None)


def parameter_of(public: str) -> Parameter | None:
    """Return the row of a name in results; None where no model has such a parameter."""
    name, _ = split_name(public)
    return _EFFECT if name.startswith("effect ") and len(name) > len("effect ") else _BY_NAME.get(name)


def unit_of(public: str) -> str:
    """Return the unit of a parameter by its name in results."""
    parameter = parameter_of(public)
    return "1" if parameter is None else parameter.unit


def on_heat_scale(name: str) -> bool:
    """Return whether a parameter is a heat sum, which means nothing with another base, method or start."""
    parameter = parameter_of(name)
    return parameter is not None and parameter.on_heat_scale
