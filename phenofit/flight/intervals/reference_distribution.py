r"""The reference distribution of a likelihood ratio: the degrees of freedom of a parameter's error.

Where years shift, a requirement is like the mean of normal values, one for each year, whose variance is fitted from
the same values. Twice the drop of the log-likelihood at the true mean of `n` normal values is exactly
:math:`n \log(1 + t^2 / (n - 1))`, Student's *t* on n - 1 degrees of freedom (*Mathematical Methods for Physics and
Engineering*, section 31.7.5). That, with `n` the number of years (or sites, the scarcer where both are fitted), is
the reference for every parameter but the variances. The chi-squared reference takes `n` to be large and is too
short; a bare quantile of *t* set against the root of the deviance allows for the unknown variance twice and is too
long. In a balanced network the interval is that of restricted likelihood (REML) with *t*, which
``tests/flight/test_reference.py`` compares with statsmodels.

The standard deviation of the years' own shift is known from the years' differences once base and requirement are
fitted. That of the trap-years' shift and the concentration are known from the trap-years.

Measured on 1634 networks of 8 sites, 2 to 8 years: 95 % intervals of base, requirement and spread held the truth in
95 to 100 %, by chi-squared in 86 to 95 %. The table is in ``notebooks/coverage.ipynb``; measure again with
``tests/benchmarks/bench_coverage.py``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import pandas as pd

from phenofit.flight.likelihood.parameters import split_name
from phenofit.flight.model import FitSettings


def replicates(settings: FitSettings, table: pd.DataFrame) -> tuple[str, int]:
    """Return the units that replicate the error of base and requirements, and their number."""
    shared = [(int(table[part].nunique()), part) for part in ("year", "site") if part in settings.shifts]
    if shared:
        number, part = min(shared, key=lambda pair: pair[0])
        return part, number
    return ("trap-year", len(table)) if "trap-year" in settings.shifts else ("moth", 0)


def degrees_of_error(
    name: str, settings: FitSettings, table: pd.DataFrame, parameters: Mapping[str, float] | None = None
) -> float:
    """Return the degrees of freedom of the error of a parameter, for :func:`phenofit.flight.intervals.profile.cut_root`."""
    what, number = replicates(settings, table)
    if what == "moth":
        return math.inf
    if split_name(name)[0] in ("shift_sd", "concentration", "size_sd"):
        shared = sum(int(table[part].nunique()) for part in ("year", "site") if part in settings.shifts)
        return float(max(len(table) - max(shared, 1), 1))
    part = {"shift_sd_year": "year", "shift_sd_site": "site"}.get(name)
    if part is not None:
        # Base and requirement are both fitted from the differences between years; sites of one weather fix no base.
        used = 2 if settings.base_held is None and part == "year" else 1
        return _single_number(int(table[part].nunique()), used)
    if settings.crossed and parameters is not None:
        return _of_two_parts(table, parameters)
    return float(max(number - 1, 1))


def _of_two_parts(table: pd.DataFrame, parameters: Mapping[str, float]) -> float:
    """Return the degrees where years and sites both shift: those of the part that the error comes from.

    Satterthwaite (1946, Biometrics Bulletin 2:110-114) for a sum of two variances of means; at most those of the years,
    from whose differences the base is fitted.
    """
    numbers = {part: int(table[part].nunique()) for part in ("year", "site")}
    variances = {part: parameters[f"shift_sd_{part}"] ** 2 / number for part, number in numbers.items()}
    left = {part: max(number - 1, 1) for part, number in numbers.items()}
    total = sum(variances.values())
    degrees = total**2 / sum(variances[part] ** 2 / left[part] for part in numbers)
    return float(max(min(degrees, left["year"]), 1.0))


def _single_number(values: int, used: int) -> float:
    """Return the degrees that give the cut for an SD known from `values` numbers, of which fitted means use up `used`."""
    left = max(values - used, 1)
    return 3.0 * left / (1.0 + 2.0 * (values - left))


def p_value_of_ratio(statistic: float, tested: int, degrees: float, *, fitted: int = 0) -> float:
    """Return the chance of a likelihood ratio at least as large, where the `tested` parameters are held at their true values."""
    from scipy.stats import chi2, f

    if math.isinf(degrees):
        return float(chi2.sf(statistic, tested))
    exponent = statistic / (degrees + tested + fitted)
    if exponent > 700.0:
        return 0.0
    return float(f.sf(degrees / tested * math.expm1(exponent), tested, degrees))


def cut_of_ratio(level: float, tested: int, degrees: float, *, fitted: int = 0) -> float:
    """Return the likelihood ratio at which a joint region of `tested` parameters ends."""
    from scipy.stats import chi2, f

    if math.isinf(degrees):
        return float(chi2.ppf(level, tested))
    ratio = tested * float(f.ppf(level, tested, degrees)) / degrees
    return (degrees + tested + fitted) * math.log1p(ratio)
