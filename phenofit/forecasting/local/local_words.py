"""The local check in sentences for readers who do not model."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from phenofit.forecasting.distribution import DateDistribution
from phenofit.seasons import day_words

if TYPE_CHECKING:
    from phenofit.flight import FlightFit

Days = tuple[float, float, float]


def year_sentence(
    season: str,
    seen: int,
    dates: DateDistribution,
    observed: tuple[np.datetime64, np.datetime64, np.datetime64],
    inside: bool | None,
) -> str:
    """Return the result of one season of records in words; `observed`: the date of half of the catch, its interval."""
    low, high = dates.interval(0.95)
    forecast = f"{_day(dates.quantile(0.5))} (95 % between {_day(low)} and {_day(high)})"
    if seen == 0:
        return f"{season}: no moth was seen, so the records say nothing about timing. Forecast: {forecast}."
    when, begin, end = observed
    if inside is None or np.isnat(when):
        return f"{season}: a single record does not date the flight. Forecast: {forecast}."
    moths = "1 moth" if seen == 1 else f"{seen} moths"
    days = float((when - dates.quantile(0.5).astype("datetime64[ns]")) / np.timedelta64(1, "D"))
    apart = "on the day of" if abs(days) < 0.5 else f"{_signed(days)} than"
    verdict = (
        "The records agree with the forecast" if inside else "The records do not agree with the forecast"
    )
    return (
        f"{season}: half of {moths} was caught by {_day(when)} (between {_day(begin)} and {_day(end)}), {apart} the forecast, "
        f"{forecast}. {verdict}."
    )


def sum_up(
    bias: Days, seasons: int, supported: bool, fit: FlightFit, *, outside: float | None = None
) -> tuple[str, ...]:
    """Return the result of all seasons together in words; `outside`: SD of the network's places, where exceeded [d]."""
    terms = f"{fit.settings.heat.describe(round(fit.base, 1))}, from {fit.settings.start_words}"
    counted = "1 season with moths" if seasons == 1 else f"{seasons} seasons with moths"
    if seasons == 0:
        return (f"No season has moths: the records say nothing about timing at this place ({terms}).",)
    said = [f"All together ({counted}) the flight at this place comes {_way(bias)} by the fit ({terms})."]
    if supported:
        said.append(
            f"The records support a correction of {abs(bias[0]):.1f} days {'later' if bias[0] > 0 else 'earlier'}, "
            "shrunk towards zero because records are few."
        )
    elif seasons < 2:
        said.append("A local correction needs two seasons with moths at least; none is made.")
    else:
        said.append("That is too uncertain for a local correction; none is made.")
    if outside is not None:
        said.append(
            f"This is outside what this network has seen (its places differ by {outside:.1f} days, SD): check species, "
            "station and biofix."
        )
    return tuple(said)


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
    return "later than the weather given" if np.isnat(when) else day_words(when)
