"""The verdict on a published threshold, and the sentence that gives it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from phenofit.forecasting.events import event_words
from phenofit.units import convert_degree_days

if TYPE_CHECKING:
    from phenofit.validate.comparison.published_comparison import PublishedComparison
    from phenofit.validate.comparison.refit_on_terms import PublishedTerms

_USEFUL = 0.25  # error of the amount that a useful test would notice
_VERDICTS = {
    "consistent": "is consistent with these catches",
    "not consistent": "is not consistent with these catches",
    "cannot tell": "cannot be judged: these catches cannot tell",
}


def verdict_and_sentence(result: PublishedComparison, terms: PublishedTerms) -> tuple[str, str]:
    """Return the verdict and its sentence."""
    verdict = _verdict(result)
    threshold = result.threshold
    flights = terms.held.settings.flights
    event = event_words(threshold.event, threshold.flight, flights)
    test = f"likelihood ratio of the pair of base and amount {result.lr_statistic:.1f}, {_p_words(result.p_value)}"
    parts = [
        f"For {event} the published {threshold.words} {_VERDICTS[verdict]} ({test}).",
        f"On the same terms the catches give {_amount(result)}.",
        *_told_apart(result),
        _base_words(result),
    ]
    if math.isfinite(result.held_out_difference_days):
        parts += [_days_words(result), _contradiction(result, verdict)]
    if threshold.assumed:
        parts.append(f"The source does not state {' and '.join(threshold.assumed)}.")
    if threshold.event in ("first_catch", "first_sustained_catch", "end"):
        parts.append(
            f"This event depends on abundance; it is calculated for a trap that catches {terms.moths:.0f} moths."
        )
    if threshold.doubt:
        parts.append(f"In print the {threshold.doubt} is in doubt: {threshold.fault}.")
    return verdict, " ".join(part for part in parts if part)


def _verdict(result: PublishedComparison) -> str:
    if result.p_value < 1.0 - result.level:
        return "not consistent"
    noticed = math.nan if result.told_apart is None else result.told_apart.amount
    return "consistent" if noticed <= _USEFUL else "cannot tell"


def _told_apart(result: PublishedComparison) -> list[str]:
    """Say which pairs the catches cannot tell apart, and which errors they would have shown."""
    found = result.told_apart
    if found is None:
        return []
    ends = [_pair(end) for end in (found.low, found.high)]
    if found.low is None and found.high is None:
        said = ["These catches leave the base open on both sides: any pair along the ridge fits as well."]
    elif found.low is None or found.high is None:
        side = "colder" if found.low is None else "warmer"
        said = [
            f"Pairs that these catches cannot tell apart run from {ends[0] or ends[1]} to {side} bases; that end is open."
        ]
    else:
        said = [f"Pairs that these catches cannot tell apart run from {ends[0]} to {ends[1]}."]
    if math.isfinite(found.amount):
        said.append(
            f"An amount more than {100 * found.amount:.0f} % off at this base, or a base more than {found.base:.1f} °C off "
            "with any amount, would be noticed in 8 of 10 such networks."
        )
    return said


def _pair(end: tuple[float, float] | None) -> str:
    return "" if end is None else f"{end[1]:.0f} °C-days above {end[0]:.1f} °C"


def _contradiction(result: PublishedComparison, verdict: str) -> str:
    """Explain a verdict that the days seem to contradict."""
    if verdict == "not consistent" and not result.difference_low > 0.0:
        return (
            "The two do not contradict each other: the pair is rejected as a pair, but its errors in base and amount "
            "nearly cancel in the weather of these years. Elsewhere, or in warmer years, they need not."
        )
    if verdict == "consistent" and result.difference_low > 0.0:
        return (
            "The two do not contradict each other: an error too small to be noticed by the test can cost days where the "
            "weather of a year is unusual."
        )
    return ""


def _amount(result: PublishedComparison) -> str:
    percent = f"{100 * result.level:g} %"
    low = "open" if math.isnan(result.refit_low) else f"{result.refit_low:.0f}"
    high = "open" if math.isnan(result.refit_high) else f"{result.refit_high:.0f}"
    where = "inside" if result.amount_inside else "outside"
    other = ""
    if result.threshold.unit == "degF d":
        other = f" = {convert_degree_days(result.refit_amount, 'degC d', 'degF d'):.0f} °F-days"
    return (
        f"{result.refit_amount:.0f} °C-days{other} ({percent} interval {low} to {high} °C-days; the published amount "
        f"lies {where})"
    )


def _base_words(result: PublishedComparison) -> str:
    base = result.threshold.base
    if base is None or result.base_inside:
        return ""
    return (
        f"The base fitted on these terms, {result.refit_base:.1f} °C, differs from the published {base:.1f} °C by more than "
        "its interval."
    )


def _days_words(result: PublishedComparison) -> str:
    gap = result.held_out_difference_days
    low, high = result.difference_low, result.difference_high
    span = ""
    if math.isfinite(low) and not _is_tie(low, high):
        span = f" ({100 * result.level:g} % interval {_signed(low)} to {_signed(high)})"
    if _is_tie(gap):
        return (
            "In held-out years its forecasts were as far off as the refitted ones, the same to a tenth of a "
            f"day{span}."
        )
    size = f"{abs(gap):.1f} days {'more' if gap > 0 else 'less'}"
    return f"In held-out years its forecasts were off by {size} than the refitted ones{span}."


def _is_tie(*days: float) -> bool:
    return all(round(value, 1) == 0.0 for value in days)


def _signed(days: float) -> str:
    # Zero has no sign: "-0.0" would say that it is known to be below.
    return "0.0" if _is_tie(days) else f"{days:+.1f}"


def _p_words(p_value: float) -> str:
    return "p < 0.001" if p_value < 0.001 else f"p = {p_value:.3f}"
