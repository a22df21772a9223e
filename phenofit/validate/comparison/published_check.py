"""Is a published threshold consistent with the catches? Tested on its own terms: base, amount, method and start."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd

from phenofit.errors import DataError, FitError, ModelError
from phenofit.flight.estimate.enough_records import lacking_for_verdict, recorded
from phenofit.flight.intervals.profile import cut_root
from phenofit.flight.intervals.reference_distribution import degrees_of_error, p_value_of_ratio
from phenofit.validate.comparison.distinguishable import distinguishable
from phenofit.validate.comparison.published_comparison import PublishedComparison
from phenofit.validate.comparison.refit_on_terms import PublishedTerms
from phenofit.validate.comparison.verdict import verdict_and_sentence
from phenofit.validate.forecasters import FITTED
from phenofit.validate.scores import paired_difference
from phenofit.validate.thresholds.threshold import PublishedThreshold

if TYPE_CHECKING:
    from phenofit.flight.model import FlightModel
    from phenofit.records import Records


def compare_published(
    records: Records,
    model: FlightModel,
    threshold: PublishedThreshold,
    *,
    validation: pd.DataFrame | None = None,
    level: float | None = None,
    seed: int = 1,
) -> PublishedComparison:
    """Test a published threshold on the catches of a region, on the published terms.

    Parameters
    ----------
    records : Records
        All records; the start of the season is replaced by the published one.
    model : FlightModel
        The model; its heat gives method and cut-off where the source does not state them.
    threshold : PublishedThreshold
        What is tested.
    validation : pandas.DataFrame, optional
        Table of :func:`phenofit.validate.cross_validate` made with this threshold; gives the difference in days.
    level : float, optional
        Level of intervals and tests; that of the model by default.
    seed : int
        Seed of the resampling of years.

    Returns
    -------
    PublishedComparison
        A threshold that cannot be tested comes back with the reason in its sentence.

    Raises
    ------
    ModelError
        If the level is not between 0.5 and 1.

    Notes
    -----
    With l(b, a) the log-likelihood at base b and event heat a, maximised over all else, and (b0, a0) the published
    pair, the statistic is 2 [max l - l(b0, a0)]. It is referred to the likelihood ratio of two normal means, which is
    (Y + 1) log(1 + 2 F / (Y - 1)) for Y years, F with 2 and Y - 1 degrees of freedom: the counterpart for two
    parameters of what the fit's intervals use. For a printed range a0 is
    the point of the range nearest to the refitted amount.

    "Not consistent" means that this test rejects the pair; a true pair is rejected in 1 - level of networks. The
    pairs that it does not reject, and the errors that it would notice in 8 of 10 such networks, show what the test
    could have noticed.

    First and last catch have no fixed heat: they are taken at the share of the flight at which the first or last
    moth of a trap with the typical catch is due (its median).
    """
    level = model.level if level is None else level
    if not 0.5 < level < 1.0:
        raise ModelError(f"a level lies between 0.5 and 1, not at {level}.")
    flights = model.number
    reason = threshold.unusable
    if model.records == "first catch":
        reason = "only first catches are fitted here, and a published sum is tested on the whole flight"
    if reason is None and threshold.flight > flights:
        reason = f"it is about flight {threshold.flight}, the season here has {flights}"
    few = "" if reason else lacking_for_verdict(recorded(records.trap_years), flights=flights)
    if few:
        sentence = f"For the published {threshold.words} these catches cannot tell: {few}."
        return PublishedComparison(threshold, False, verdict="cannot tell", sentence=sentence, level=level)
    if reason is None:
        try:
            terms = PublishedTerms(records, threshold, model)
        except (ModelError, FitError, DataError) as error:
            reason = str(error).rstrip(".")
    if reason is not None:
        sentence = f"The published {threshold.words} cannot be tested: {reason}."
        return PublishedComparison(threshold, False, sentence=sentence, level=level)
    return _compared(terms, threshold, validation, level, seed)


def _compared(
    terms: PublishedTerms,
    threshold: PublishedThreshold,
    validation: pd.DataFrame | None,
    level: float,
    seed: int,
) -> PublishedComparison:
    degrees = degrees_of_error("base", terms.free.settings, terms.free.data, terms.free.parameters)
    reach = cut_root(level, degrees)
    amount, low, high = terms.amount_interval(level)
    printed_low, printed_high = threshold.range_degc_d
    nearest = min(max(amount, printed_low), printed_high)
    free = terms.free.log_likelihood
    statistic = max(2.0 * (free - terms.log_likelihood_at(nearest)), 0.0)
    inside = not ((low is not None and printed_high < low) or (high is not None and printed_low > high))
    base_drop = max(2.0 * (free - terms.held.log_likelihood), 0.0)
    gap = (math.nan, math.nan, math.nan)
    if validation is not None:
        gap = _held_out(validation, threshold, level, seed)
    result = PublishedComparison(
        threshold=threshold,
        usable=True,
        refit_amount=amount,
        refit_low=math.nan if low is None else low,
        refit_high=math.nan if high is None else high,
        amount_inside=inside,
        lr_statistic=statistic,
        p_value=p_value_of_ratio(statistic, 2, degrees),
        base_inside=math.sqrt(base_drop) <= reach,
        refit_base=terms.free.base,
        held_out_difference_days=gap[0],
        difference_low=gap[1],
        difference_high=gap[2],
        told_apart=distinguishable(terms, level, degrees),
        level=level,
    )
    verdict, sentence = verdict_and_sentence(result, terms)
    return replace(result, verdict=verdict, sentence=sentence)


def _held_out(
    validation: pd.DataFrame, threshold: PublishedThreshold, level: float, seed: int
) -> tuple[float, float, float]:
    rows = validation[
        (validation["event"] == threshold.event)
        & (validation["flight"] == threshold.flight)
        & validation["lead_days"].isna()
    ]
    # One scheme, the first: the same trap-years forecast under another must not be paired across.
    rows = rows[rows["scheme"] == validation["scheme"].iloc[0]] if len(rows) else rows
    published = rows[rows["forecaster"] == f"published:{threshold.id}"]
    difference, low, high, _ = paired_difference(
        published, rows[rows["forecaster"] == FITTED], level=level, seed=seed
    )
    return difference, low, high
