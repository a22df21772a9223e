"""The verdict on a published threshold, and the sentence that gives it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from phenofit.forecasting.events import event_words
from phenofit.units import convert_degree_days

if TYPE_CHECKING:
    from phenofit.validate.comparison.published_comparison import PublishedComparison
    from phenofit.validate.comparison.refit_on_terms import PublishedTerms

_NO_WORSE_DAYS = 1.0
_NARROW = 0.10


def verdict_and_sentence(result: PublishedComparison, terms: PublishedTerms) -> tuple[str, str]:
    """Return the verdict and its sentence."""
    verdict = _verdict(result)
    threshold = result.threshold
    flights = terms.held.settings.flights
    event = event_words(threshold.event, threshold.flight, flights)
    parts = [
        (
            f"For {event} the published {threshold.words} is {verdict}: on the same terms the catches give "
            f"{_amount(result)}, and the published pair of base and sum is "
            f"{'rejected' if result.p_value < 1.0 - result.level else 'not rejected'} "
            f"(likelihood ratio {result.lr_statistic:.1f}, {_p_words(result.p_value)})."
        )
    ]
    parts.append(_base_words(result))
    if math.isfinite(result.held_out_difference_days):
        parts.append(_days_words(result))
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
        return "refuted here"
    if not result.amount_inside:
        return "not contradicted"
    if math.isfinite(result.difference_high):
        return "supported" if result.difference_high <= _NO_WORSE_DAYS else "not contradicted"
    half = 0.5 * (result.refit_high - result.refit_low)
    return "supported" if half <= _NARROW * result.refit_amount else "not contradicted"


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
        f"The base fitted here, {result.refit_base:.1f} °C, differs from the published {base:.1f} °C by more than "
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
