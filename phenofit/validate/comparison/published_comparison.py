"""What the catches say about one published threshold."""

from __future__ import annotations

import math
from dataclasses import dataclass

from phenofit.validate.comparison.distinguishable import Distinguishable
from phenofit.validate.thresholds.threshold import PublishedThreshold


@dataclass(frozen=True)
class PublishedComparison:
    """What the catches say about one published threshold.

    Parameters
    ----------
    threshold : PublishedThreshold
        The threshold.
    usable : bool
        Whether it could be tested.
    refit_amount, refit_low, refit_high : float
        Heat of the event refitted with the published base, method and start held, and its interval [degC d].
    amount_inside : bool
        Whether the published amount (or a part of its range) lies in that interval.
    lr_statistic, p_value : float
        Likelihood-ratio test of the published pair of base and amount against both refitted.
    base_inside : bool
        Whether the published base lies in the interval of the base, everything else on the published terms.
    refit_base : float
        Base fitted with the published method and start [degC].
    held_out_difference_days, difference_low, difference_high : float
        Mean absolute held-out error of the published threshold minus that of the refitted model, paired by trap
        and season [d]; NaN without a validation table.
    told_apart : Distinguishable or None
        Which pairs of base and amount the catches cannot tell apart, and which errors they would have shown.
    verdict : str
        ``"consistent"`` with these catches, ``"not consistent"``, ``"cannot tell"`` (the records are too few to notice an
        amount a quarter off) or ``"cannot be tested"`` (the threshold lacks something).
    sentence : str
        The verdict in words.
    level : float
        Level of the intervals.
    """

    threshold: PublishedThreshold
    usable: bool
    refit_amount: float = math.nan
    refit_low: float = math.nan
    refit_high: float = math.nan
    amount_inside: bool = False
    lr_statistic: float = math.nan
    p_value: float = math.nan
    base_inside: bool = False
    refit_base: float = math.nan
    held_out_difference_days: float = math.nan
    difference_low: float = math.nan
    difference_high: float = math.nan
    told_apart: Distinguishable | None = None
    verdict: str = "cannot be tested"
    sentence: str = ""
    level: float = 0.95

    def __repr__(self) -> str:
        """Return the verdict in words."""
        return f"{self.threshold.id}: {self.threshold.words}: {self.verdict}\n{self.sentence}".strip()
