"""The criteria of the older rules as functions of the base, and the search for the base that meets them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq, minimize_scalar

from phenofit.flight.likelihood.heat_at_times import HeatAtTimes
from phenofit.heat.settings import HeatSettings

RULES = (
    "least SD in degree-days",
    "least SD in days",
    "least CV in days",
    "regression coefficient",
    "x-intercept",
)
_FORTNIGHT = 14.0
_STEP = 0.25  # step of the grid that brackets the base [degC]
_CLOSE = 1e-6

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class EventHeat:
    """One event per trap-year, and the heat until then at any base."""

    times: HeatAtTimes  # The events; all have a heat sum.
    years: npt.NDArray[np.int64]  # Shape (events,): Their years.
    settings: HeatSettings  # How a day's heat is computed.
    left_out: int = 0  # Events without a heat sum.
    _whole: HeatAtTimes | None = field(default=None, repr=False)
    _at: npt.NDArray[np.int64] | None = field(default=None, repr=False)
    _known: dict[tuple[float, float], Floats] = field(default_factory=dict, repr=False)

    def __len__(self) -> int:
        """Return the number of events."""
        return len(self.years)

    def select(self, keep: npt.NDArray[np.bool_]) -> EventHeat:
        """Return some of the events."""
        at = np.arange(len(self)) if self._at is None else self._at
        return EventHeat(
            self.times.select(keep),
            self.years[keep],
            self.settings,
            self.left_out,
            self._whole or self.times,
            at[keep],
            self._known,
        )

    def heat(self, base: float) -> Floats:
        """Return the heat at the events [degC d]."""
        return self._heat(base, 0.0)

    def _heat(self, base: float, earlier: float) -> Floats:
        key = (float(base), earlier)
        if key not in self._known:
            self._known[key] = (self._whole or self.times).heat(base, self.settings, earlier=earlier)
        found = self._known[key]
        return found.copy() if self._at is None else found[self._at]

    def heat_per_day(self, base: float) -> float:
        """Return the mean heat per day over the last fortnight before the events [degC]."""
        passed = np.minimum(self.times.days, _FORTNIGHT)
        earlier = self._heat(base, _FORTNIGHT)
        return float(np.mean((self.heat(base) - earlier) / passed))


@dataclass(frozen=True)
class RuleAnswer:
    """The result of one rule."""

    base: float  # Base temperature [degC]; NaN where the rule gives none.
    requirement: float  # Heat at the event [degC d].
    spread: float  # SD of the heat at the events at that base [degC d].
    criterion: float  # Value of the criterion of the rule at that base.
    criterion_unit: str  # Its unit.
    note: str  # Where the rule fails.
    at_end: bool  # Whether the base is an end of the search range.


def apply_rule(data: EventHeat, rule: str, base_range: tuple[float, float]) -> RuleAnswer:
    """Find base and requirement by one rule."""
    if rule == "x-intercept":
        return _x_intercept(data, base_range)
    if rule == "regression coefficient":
        return _regression(data, base_range)
    criterion, unit = {
        "least SD in degree-days": (_sd, "degC d"),
        "least SD in days": (_sd_days, "d"),
        "least CV in days": (_cv, "1"),
    }[rule]
    base, value = _least(lambda b: criterion(data, b), base_range)
    if not np.isfinite(base):
        return _none(unit, "no base in the range leaves heat at the events")
    return _answer(data, base, value, unit, base_range, "the smallest value")


def _sd(data: EventHeat, base: float) -> float:
    return float(np.std(data.heat(base), ddof=1))


def _sd_days(data: EventHeat, base: float) -> float:
    rate = data.heat_per_day(base)
    return _sd(data, base) / rate if rate > _CLOSE else np.inf


def _cv(data: EventHeat, base: float) -> float:
    heat = data.heat(base)
    mean = float(heat.mean())
    return float(np.std(heat, ddof=1)) / mean if mean > _CLOSE else np.inf


def _slope(temperature: Floats, values: Floats) -> float:
    centred = temperature - temperature.mean()
    return float(centred @ values / (centred @ centred))


def _grid(base_range: tuple[float, float]) -> Floats:
    low, high = base_range
    return np.linspace(low, high, max(int(np.ceil((high - low) / _STEP)), 8) + 1)


def _least(criterion: Callable[[float], float], base_range: tuple[float, float]) -> tuple[float, float]:
    """Return where a criterion is least: a grid brackets the minimum, a bounded search finds it."""
    grid = _grid(base_range)
    values = np.array([criterion(float(b)) for b in grid])
    if not np.isfinite(values).any():
        return np.nan, np.nan
    at = int(np.argmin(values))
    low, high = grid[max(at - 1, 0)], grid[min(at + 1, len(grid) - 1)]
    found = minimize_scalar(criterion, bounds=(low, high), method="bounded", options={"xatol": _CLOSE})
    if found.fun < values[at]:
        return float(found.x), float(found.fun)
    return float(grid[at]), float(values[at])


def _regression(data: EventHeat, base_range: tuple[float, float]) -> RuleAnswer:
    unit = "degC d / degC"
    temperature = data.times.mean_temperature()
    if np.ptp(temperature) < _CLOSE:
        return _none(unit, "all mean temperatures are equal: no slope")

    def slope(base: float) -> float:
        return _slope(temperature, data.heat(base))

    grid = _grid(base_range)
    values = np.array([slope(float(b)) for b in grid])
    # Where the base is above all temperatures there is no heat, and a slope of zero that means nothing.
    warm = np.array([data.heat(float(b)).mean() > _CLOSE for b in grid])
    cross = np.flatnonzero((values[:-1] * values[1:] <= 0) & warm[:-1] & warm[1:])
    if cross.size == 0:
        if not warm.any():
            return _none(unit, "no base in the range leaves heat at the events")
        at = int(np.argmin(np.where(warm, np.abs(values), np.inf)))
        answer = _answer(data, float(grid[at]), float(values[at]), unit, base_range, "")
        return replace(
            answer, note="no base in the range makes the slope zero; the base of the flattest slope is given"
        )
    roots = [float(brentq(slope, grid[k], grid[k + 1], xtol=_CLOSE)) for k in cross]
    best = min(roots, key=lambda b: _sd(data, b))
    answer = _answer(data, best, slope(best), unit, base_range, "the flattest slope")
    if len(roots) > 1:
        return replace(answer, note=f"{len(roots)} bases make the slope zero; that of the least SD is given")
    return answer


def _x_intercept(data: EventHeat, base_range: tuple[float, float]) -> RuleAnswer:
    unit = "1 / d"
    temperature = data.times.mean_temperature()
    rate = 1.0 / data.times.days
    if np.ptp(temperature) < _CLOSE:
        return _none(unit, "all mean temperatures are equal: no line")
    slope = _slope(temperature, rate)
    intercept = float(rate.mean() - slope * temperature.mean())
    residual = rate - intercept - slope * temperature
    scatter = float(np.sqrt(residual @ residual / (len(rate) - 2)))
    if slope <= 0:
        return _none(unit, "the rate does not rise with the mean temperature: no base", scatter)
    base = -intercept / slope
    outside = not base_range[0] <= base <= base_range[1]
    notes = ["the base lies outside the search range"] if outside else []
    if temperature.min() <= base:
        notes.append("the base is above the mean temperature of some trap-years")
    notes.append("requirement is one over the slope, not a mean of heat sums")
    return RuleAnswer(base, 1.0 / slope, _sd(data, base), scatter, unit, "; ".join(notes), outside)


def _answer(
    data: EventHeat, base: float, value: float, unit: str, base_range: tuple[float, float], what: str
) -> RuleAnswer:
    heat = data.heat(base)
    at_end = min(base - base_range[0], base_range[1] - base) < 1e-3
    note = f"{what} lies at the end of the search range: the rule gives no base" if at_end and what else ""
    return RuleAnswer(base, float(heat.mean()), float(np.std(heat, ddof=1)), value, unit, note, at_end)


def _none(unit: str, note: str, value: float = np.nan) -> RuleAnswer:
    return RuleAnswer(np.nan, np.nan, np.nan, value, unit, note, False)
