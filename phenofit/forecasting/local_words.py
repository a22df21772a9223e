"""The local check in sentences for someone who is no modeller."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from phenofit.forecasting.distribution import DateDistribution, to_unit

if TYPE_CHECKING:
    from phenofit.flight import FlightFit

Days = tuple[float, float, float]


def year_sentence(season: str, seen: int, dates: DateDistribution, shift: Days, inside: bool | None) -> str:
    """Return the result of one season of records in words."""
    low, high = dates.interval(0.95)
    forecast = (
        f"{season}: the forecast puts half of the flight on {_day(dates.quantile(0.5))} "
        f"(95 % between {_day(low)} and {_day(high)})"
    )
    if seen == 0:
        return f"{forecast}; no moth was seen, so the records do not date the flight."
    if inside is None or math.isnan(shift[0]):
        return f"{forecast}; a single record does not date the flight."
    verdict = "agree with that" if inside else "do not agree with that"
    return f"{forecast}; your records ({seen} moths) {verdict} and put the flight {_way(shift)}."


def sum_up(bias: Days, seasons: int, supported: bool, fit: FlightFit) -> tuple[str, ...]:
    """Return the result of all seasons together in words."""
    terms = f"{fit.settings.heat.describe(round(fit.base, 1))}, from {fit.settings.start_words}"
    counted = "1 season with moths" if seasons == 1 else f"{seasons} seasons with moths"
    first = f"All together ({counted}) the flight at this place comes {_way(bias)} by the fit ({terms})."
    if supported:
        second = (
            f"The records support a correction of {abs(bias[0]):.1f} days {'later' if bias[0] > 0 else 'earlier'}, "
            "shrunk towards zero the more, the fewer they are."
        )
    elif seasons < 2:
        second = "A local correction needs two seasons with moths at least; none is made."
    else:
        second = "That is too uncertain for a local correction; none is made."
    return first, second


def _way(shift: Days) -> str:
    middle, low, high = shift
    head = "about as expected" if abs(middle) < 0.5 else f"about {_signed(middle)} than expected"
    return f"{head} (95 %: {_signed(low)} to {_signed(high)})"


def _signed(days: float) -> str:
    if abs(days) < 0.5:
        return "0 days"
    unit = "day" if round(abs(days)) == 1 else "days"
    return f"{abs(days):.0f} {unit} {'later' if days > 0 else 'earlier'}"


def _day(when: np.datetime64) -> str:
    return "later than the weather given" if np.isnat(when) else f"{to_unit(when).astype(object):%d %B}"
