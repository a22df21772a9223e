"""The heat at which an event happens in a trap-year, drawn with every uncertainty that a forecast carries."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from scipy.special import betainc, ndtr

from phenofit.errors import ModelError
from phenofit.flight.kernels.curves import LOG_HEAT_CURVES, curve_code, curve_quantile
from phenofit.forecasting.events import event_share
from phenofit.heat.compiled.crossing import crossing_days, heat_before

if TYPE_CHECKING:
    from collections.abc import Sequence

    from phenofit.flight import FlightFit
    from phenofit.heat.settings import HeatSettings

_NO_SWARMS = 1e5  # from this concentration on moths come independently
_HALVINGS = 26
_CHECK_WIDTH = 0.7  # a check of half a week to a week, in spreads of a flight


@dataclass(frozen=True)
class HeatDraws:
    """Equally likely values of the base and of the heat at each event."""

    base: npt.NDArray[np.float64]  # Shape (draws,): Base temperature [degC].
    amount: npt.NDArray[np.float64]  # Shape (draws, events): Heat at the events [degC d].
    events: tuple[str, ...]  # Names of the events.
    upper: npt.NDArray[np.float64] | None = None  # Shape (draws,): Upper threshold where fitted [degC].

    def upper_of(self, heat: HeatSettings) -> npt.NDArray[np.float64]:
        """Return the upper threshold of each draw [degC], that of `heat` where it was not fitted."""
        return np.full(self.base.size, heat.upper_or_inf) if self.upper is None else self.upper

    def only(self, event: str) -> HeatDraws:
        """Return the draws of one event."""
        column = self.events.index(event)
        return replace(self, amount=self.amount[:, column : column + 1], events=(event,))

    def taken(self, index: npt.NDArray[np.int64]) -> HeatDraws:
        """Return the draws at some positions, as often as each is named."""
        upper = None if self.upper is None else self.upper[index]
        return replace(self, base=self.base[index], amount=self.amount[index], upper=upper)

    def repeated(self, number: int) -> HeatDraws:
        """Return one draw repeated."""
        return self.taken(np.zeros(number, dtype=np.int64))

    def crossings(
        self,
        tmin: npt.NDArray[np.float64],
        tmax: npt.NDArray[np.float64],
        heat: HeatSettings,
        *,
        before: npt.NDArray[np.float64] | None = None,
        member: npt.NDArray[np.int64] | None = None,
    ) -> npt.NDArray[np.float64]:
        """Return the day on which each draw reaches its events, shape (draws, events).

        `member` is the row of temperatures of each draw; without it the rows are used in turn. `before` is the heat of
        each draw before the first of the days.
        """
        if member is None:
            member = np.arange(self.base.size, dtype=np.int64) % tmin.shape[0]
        return crossing_days(
            np.ascontiguousarray(tmin),
            np.ascontiguousarray(tmax),
            member,
            self.base,
            np.ascontiguousarray(self.amount),
            self.upper_of(heat),
            heat.method_code,
            heat.cutoff_code,
            np.zeros(self.base.size) if before is None else before,
        )

    def heat_before(
        self, tmin: npt.NDArray[np.float64], tmax: npt.NDArray[np.float64], heat: HeatSettings
    ) -> npt.NDArray[np.float64]:
        """Return the heat of each draw before each day of one season, shape (draws, days + 1)."""
        return heat_before(tmin, tmax, self.base, self.upper_of(heat), heat.method_code, heat.cutoff_code)


def event_shares(
    events: Sequence[str],
    draws: int,
    generator: np.random.Generator,
    *,
    moths: float | npt.NDArray[np.float64] | None,
    concentration: npt.NDArray[np.float64] | float = math.inf,
) -> npt.NDArray[np.float64]:
    """Draw the share of the flight that has flown when an event is seen."""
    number = (
        None if moths is None else np.maximum(np.broadcast_to(np.asarray(moths, np.float64), (draws,)), 1.0)
    )
    columns = []
    for event in events:
        share = event_share(event)
        if event == "peak":
            # A placeholder: the peak is no share. `EventDrawing.at` takes the heat of the steepest point instead.
            columns.append(np.full(draws, 0.5))
        elif number is None:
            if share is None:
                raise ModelError(
                    f"the date of the {event.replace('_', ' ')} depends on how many moths a trap catches; "
                    "give that number."
                )
            columns.append(np.full(draws, share))
        else:
            passed = _order_share(event, share, number, generator)
            columns.append(_swarm_share(passed, concentration, generator))
    return np.column_stack(columns)


def _order_share(
    event: str, share: float | None, number: npt.NDArray[np.float64], generator: np.random.Generator
) -> npt.NDArray[np.float64]:
    if share is not None:
        return generator.beta(number * share + 0.5, number * (1.0 - share) + 0.5)
    if event == "first_catch":
        return generator.beta(1.0, number)
    if event == "first_sustained_catch":
        return generator.beta(2.0, np.maximum(number - 1.0, 1.0))
    return generator.beta(number, 1.0)


def _swarm_share(
    passed: npt.NDArray[np.float64],
    concentration: npt.NDArray[np.float64] | float,
    generator: np.random.Generator,
) -> npt.NDArray[np.float64]:
    """Draw the expected share at which a swarming flight passes the shares `passed`."""
    level = generator.random(passed.size)
    c = np.minimum(np.broadcast_to(np.asarray(concentration, dtype=np.float64), passed.shape), _NO_SWARMS)
    low, high = np.zeros_like(passed), np.ones_like(passed)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        below = 1.0 - betainc(c * middle, c * (1.0 - middle), passed) < level
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.where(c >= _NO_SWARMS, passed, 0.5 * (low + high))


def _peak_offsets(
    moths: float | npt.NDArray[np.float64],
    concentration: npt.NDArray[np.float64],
    generator: np.random.Generator,
) -> npt.NDArray[np.float64]:
    """Draw how far from the steepest point of its curve the highest catch of a trap is seen [spreads]."""
    draws = concentration.size
    phase = generator.uniform(0.0, _CHECK_WIDTH, (draws, 1))
    edges = np.arange(-4.0, 4.0 + _CHECK_WIDTH, _CHECK_WIDTH) + phase
    chance = np.diff(ndtr(edges), axis=1)
    chance /= chance.sum(axis=1, keepdims=True)
    swarm = generator.standard_gamma(np.minimum(concentration, _NO_SWARMS)[:, np.newaxis] * chance)
    # Where the concentration is so small that every gamma is zero, the chances stay as they are.
    total = swarm.sum(axis=1, keepdims=True)
    share = np.where(total > 0, swarm / np.where(total > 0, total, 1.0), chance)
    number = np.maximum(np.broadcast_to(np.asarray(moths), (draws,)), 1.0).round().astype(np.int64)
    counts = generator.multinomial(number, share / share.sum(axis=1, keepdims=True))
    # Ties are broken by chance; the first check has no advantage over the last.
    best = np.argmax(counts + 0.5 * generator.random(counts.shape), axis=1)
    return np.asarray(0.5 * (edges[np.arange(draws), best] + edges[np.arange(draws), best + 1]))


@dataclass(frozen=True)
class EventDrawing:
    """Draws of the heat at events, made once for all places: only the shift of a place is left out."""

    terms: _Terms
    curve: str
    events: tuple[str, ...]
    # Shape (draws, events): Share of the flight that has flown at each event.
    shares: npt.NDArray[np.float64]
    # Of the peak: by what the median is multiplied, and what is added.
    top: tuple[float, npt.NDArray[np.float64]] | None

    @classmethod
    def of(
        cls,
        fit: FlightFit,
        events: Sequence[str],
        *,
        flight: int = 1,
        draws: int = 400,
        seed: int = 1,
        moths: float | npt.NDArray[np.float64] | None = None,
    ) -> EventDrawing:
        """Draw the parameters, and the sampling of moths."""
        terms = _drawn_terms(fit, flight, draws, seed)
        shares = event_shares(events, draws, terms.generator, moths=moths, concentration=terms.concentration)
        top = None
        if "peak" in events:
            # The steepest point of a skewed curve lies off its middle: in proportion to the heat, or to the spread.
            peak, middle = fit.event_amount("peak", flight), fit.requirement(flight)
            grows = curve_code(fit.settings.curve) in LOG_HEAT_CURVES
            off = np.zeros(draws) if grows else terms.spread * ((peak - middle) / fit.spread(flight))
            if moths is not None:
                off = off + terms.spread * _peak_offsets(moths, terms.concentration, terms.generator)
            top = (peak / middle if grows else 1.0, off)
        return cls(terms, fit.settings.curve, tuple(events), shares, top)

    def at(self, shift: tuple[float, float] | None = None) -> HeatDraws:
        """Return the draws at a place, given what is known of its own shift: mean and SD [degC d]."""
        median = self.terms.median(shift)
        amount = self.terms.amount(self.curve, self.shares, median)
        if self.top is not None:
            amount[:, self.events.index("peak")] = median * self.top[0] + self.top[1]
        return HeatDraws(self.terms.base, amount, self.events, self.terms.upper)


def draw_heat(
    fit: FlightFit,
    events: Sequence[str],
    *,
    flight: int = 1,
    draws: int = 400,
    seed: int = 1,
    moths: float | npt.NDArray[np.float64] | None = None,
    shift: tuple[float, float] | None = None,
) -> HeatDraws:
    """Draw base and event heat from a fit: its uncertainty, the shifts between trap-years, the sampling of moths."""
    return EventDrawing.of(fit, events, flight=flight, draws=draws, seed=seed, moths=moths).at(shift)


def draw_shares(
    fit: FlightFit,
    shares: npt.NDArray[np.float64],
    *,
    flight: int = 1,
    draws: int = 400,
    seed: int = 1,
    shift: tuple[float, float] | None = None,
) -> HeatDraws:
    """Draw the heat at which given shares of the whole flight have flown, all shares of a draw in the same season."""
    terms = _drawn_terms(fit, flight, draws, seed)
    every = np.broadcast_to(shares, (draws, shares.size))
    amount = terms.amount(fit.settings.curve, every, terms.median(shift))
    return HeatDraws(terms.base, amount, tuple(f"{share:.4f}" for share in shares), terms.upper)


@dataclass(frozen=True)
class _Terms:
    """Parameters of each draw, and its shift in SDs."""

    base: npt.NDArray[np.float64]
    requirement: npt.NDArray[np.float64]
    spread: npt.NDArray[np.float64]
    concentration: npt.NDArray[np.float64]
    upper: npt.NDArray[np.float64] | None
    season: npt.NDArray[np.float64]  # Variance of the shift of a season at a place whose own shift is known.
    site: npt.NDArray[np.float64]  # Variance of the shift of a place that is not known.
    deviate: npt.NDArray[np.float64]
    generator: np.random.Generator

    def median(self, shift: tuple[float, float] | None) -> npt.NDArray[np.float64]:
        """Return the heat at half of the flight in each draw, given what is known of the place's own shift."""
        mean, variance = (
            (0.0, self.site) if shift is None else (shift[0], np.full_like(self.site, shift[1] ** 2))
        )
        return np.asarray(self.requirement + mean + np.sqrt(self.season + variance) * self.deviate)

    def amount(
        self, curve: str, shares: npt.NDArray[np.float64], median: npt.NDArray[np.float64]
    ) -> npt.NDArray[np.float64]:
        """Return the heat at shares of the flight."""
        return curve_quantile(
            curve, shares, median[:, np.newaxis], self.requirement[:, np.newaxis], self.spread[:, np.newaxis]
        )


def _drawn_terms(fit: FlightFit, flight: int, draws: int, seed: int) -> _Terms:
    if fit.settings.records == "first catch":
        raise ModelError(
            "this fit is of first catches alone, which do not show the rest of the flight; fit the counts to "
            "forecast events."
        )
    if not 1 <= flight <= fit.settings.flights:
        raise ModelError(f"the fit has no flight {flight}, only {fit.settings.flights}.")
    table = fit.draws(draws, seed=seed)
    generator = np.random.default_rng([seed, flight, 20])

    def column(name: str) -> npt.NDArray[np.float64]:
        if name in table.columns:
            return table[name].to_numpy(dtype=np.float64)
        return np.full(draws, math.inf)

    def variance(*names: str) -> npt.NDArray[np.float64]:
        known = [column(name) ** 2 for name in names if name in fit.parameters]
        return np.asarray(np.sum(known, axis=0)) if known else np.zeros(draws)

    return _Terms(
        base=column("base"),
        requirement=column(f"requirement_{flight}"),
        spread=column(f"spread_{flight}"),
        concentration=column("concentration"),
        upper=table["upper"].to_numpy(dtype=np.float64) if "upper" in table.columns else None,
        season=variance("shift_sd_year", "shift_sd"),
        site=variance("shift_sd_site"),
        deviate=generator.standard_normal(draws),
        generator=generator,
    )


def flight_shares(fit: FlightFit) -> npt.NDArray[np.float64]:
    """Return the share of the season's moths that belongs to each flight, at the middle of the trap-years."""
    logs = np.array([0.0, *(fit.parameters[f"size_{g}"] for g in range(2, fit.settings.flights + 1))])
    sizes = np.exp(logs - logs.max())
    return np.asarray(sizes / sizes.sum())


@lru_cache(maxsize=16)
def kept_drawing(
    fit: FlightFit, events: tuple[str, ...], *, flight: int, draws: int, seed: int, counted: bool = True
) -> EventDrawing:
    """Return draws of the heat at events, with the catches of the fit's trap-years where events are `counted`.

    They are cached: all places of a forecast have the same draws, apart from the shift of the place.
    """
    moths = draw_totals(fit, flight, draws, seed) if counted else None
    return EventDrawing.of(fit, events, flight=flight, draws=draws, seed=seed, moths=moths)


def draw_totals(fit: FlightFit, flight: int, draws: int, seed: int) -> npt.NDArray[np.float64]:
    """Draw how many moths of a flight a trap catches in a season, from the trap-years of the fit."""
    totals = fit.data["total"].to_numpy(dtype=np.float64) * flight_shares(fit)[flight - 1]
    return np.random.default_rng([seed, flight, 78]).choice(np.maximum(totals, 1.0), size=draws)


def place_shift(fit: FlightFit, site: str) -> tuple[float, float] | None:
    """Return what a fit knows of the shift of one site: mean and SD [degC d]; ``None`` where it knows nothing."""
    if "site" not in fit.settings.shifts:
        return None
    row = fit.shifts[(fit.shifts["part"] == "site") & (fit.shifts["group"].astype(str) == site)]
    return None if row.empty else (float(row["mean"].iloc[0]), float(row["sd"].iloc[0]))
