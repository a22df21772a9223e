"""Which pairs of base and amount the catches cannot tell apart, and which errors they would have shown."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import brentq
from scipy.stats import f, ncf, ncx2

from phenofit.flight.intervals.reference_distribution import cut_of_ratio

if TYPE_CHECKING:
    from phenofit.validate.comparison.refit_on_terms import PublishedTerms

POWER = 0.8
_LARGEST = 1e4  # largest noncentrality that is searched


@dataclass(frozen=True)
class Distinguishable:
    """What the catches can tell of a pair of base and amount, on the terms of a published threshold.

    Attributes
    ----------
    low, high : tuple of float or None
        Base [degC] and amount [degC d] at the two ends of the pairs that a joint test does not reject; None where the
        catches leave that end open.
    base : float
        Smallest error of the base, whatever the amount, that is noticed in 8 of 10 such networks [degC].
    amount : float
        Smallest error of the amount that is noticed in the same way, at the published base, as a share of the
        amount [1].
    """

    low: tuple[float, float] | None
    high: tuple[float, float] | None
    base: float = math.nan
    amount: float = math.nan


def noncentrality(level: float, degrees: float) -> float:
    """Return the noncentrality at which the joint test of a pair has a power of 0.8."""
    if math.isinf(degrees):
        cut = cut_of_ratio(level, 2, degrees)
        return float(brentq(lambda x: ncx2.sf(cut, 2, x) - POWER, 1e-6, _LARGEST))
    cut = float(f.ppf(level, 2, degrees))
    return float(brentq(lambda x: ncf.sf(cut, 2, degrees, x) - POWER, 1e-6, _LARGEST))


def distinguishable(terms: PublishedTerms, level: float, degrees: float) -> Distinguishable:
    """Return which pairs the catches cannot tell apart, and which errors they would have shown.

    The pairs lie along the profile of the base, up to the cut of two parameters. Errors that are noticed are those at
    which the likelihood ratio, by the curvature, has the noncentrality for a power of 0.8.
    """
    root = math.sqrt(cut_of_ratio(level, 2, degrees))
    profile = terms.base_profile(root, degrees)
    ends = profile.crossing(root)
    amounts = terms.amounts_along(profile)
    low, high = (
        None if end is None else (end, float(np.interp(end, profile.values, amounts))) for end in ends
    )
    names = ["base", f"requirement_{terms.threshold.flight}"]
    known = terms.free.covariance
    if not set(names) <= set(known.columns):
        return Distinguishable(low, high)
    (base, both), (_, amount) = known.loc[names, names].to_numpy(dtype=np.float64)
    # The likelihood ratio of small errors is (v + 2) / v times twice F with v degrees: its curvature has the variance of
    # maximum likelihood, which is the smaller by that factor.
    wider = 1.0 if math.isinf(degrees) else (degrees + 2.0) / degrees
    reach = math.sqrt(wider * noncentrality(level, degrees))
    at_base = math.sqrt(max(amount - both**2 / base, 0.0))
    held = terms.held.requirement(terms.threshold.flight)
    return Distinguishable(low, high, reach * math.sqrt(base), reach * at_base / held)
