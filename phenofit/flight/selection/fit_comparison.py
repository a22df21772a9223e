"""Fits to the same catches compared: AIC, and the likelihood ratio where they are nested."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from phenofit.errors import ModelError
from phenofit.flight.intervals.reference_distribution import degrees_of_error, p_value_of_ratio, replicates
from phenofit.flight.result import FlightFit
from phenofit.flight.selection.nesting import nesting

COMPARE_COLUMNS = (
    "model", "flights", "curve", "base", "shifts", "counts", "covariates", "fitted", "log_likelihood", "aic",
    "aic_difference", "weight", "converged", "lr_against", "lr_statistic", "lr_degrees", "p_value", "note",
)  # fmt: skip


@dataclass(frozen=True)
class RatioTest:
    """Likelihood-ratio test of a smaller model against a larger one that holds it.

    Attributes
    ----------
    statistic : float
        Twice the difference of the log-likelihoods, not below zero.
    degrees : int
        Parameters that the smaller model fixes.
    p_value : float
        Chance of a statistic at least as large if the smaller model is true.
    reference : str
        The distribution that p comes from, in words.
    """

    statistic: float
    degrees: int
    p_value: float
    reference: str


def compare(fits: Mapping[str, FlightFit] | Sequence[FlightFit]) -> pd.DataFrame:
    """Compare fits to the same records by AIC, and by likelihood ratio where they are nested.

    Parameters
    ----------
    fits : mapping of str to FlightFit, or sequence of FlightFit
        Two or more; a sequence is named after what sets its fits apart.

    Returns
    -------
    DataFrame
        Columns ``COMPARE_COLUMNS``, the least AIC first. ``aic_difference`` is against the best, ``weight`` the
        Akaike weight. Each model that the best one holds within it is tested against it (``lr_against``);
        ``note`` says why a model could not be.

    Raises
    ------
    ModelError
        If there are fewer than two fits, or they were not fitted to the same records.

    Notes
    -----
    AIC is twice the number of fitted parameters minus twice the log-likelihood. It compares base temperatures,
    heat methods, starts and curves alike, because the data are catches in check intervals in all of them.
    Akaike weights: exp(-difference / 2), made to sum to 1 (Burnham & Anderson 2002, *Model Selection and
    Multimodel Inference*).
    """
    named = _named(fits)
    if len(named) < 2:
        raise ModelError("a comparison needs two fits or more.")
    _same_records(named)
    best_name = min(named, key=lambda n: named[n].aic)
    best = named[best_name]
    difference = {name: fit.aic - best.aic for name, fit in named.items()}
    total = sum(math.exp(-0.5 * d) for d in difference.values())
    rows = []
    for name, fit in sorted(named.items(), key=lambda pair: pair[1].aic):
        row = {**_facts(name, fit), "aic_difference": difference[name]}
        row["weight"] = math.exp(-0.5 * difference[name]) / total
        row |= _test_row(fit, best, best_name, is_best=name == best_name)
        rows.append(row)
    table = pd.DataFrame(rows, columns=list(COMPARE_COLUMNS))
    return table.astype({"lr_statistic": float, "p_value": float, "lr_degrees": "Int64"})


def likelihood_ratio(smaller: FlightFit, larger: FlightFit) -> RatioTest:
    """Test a smaller model against a larger one that holds it.

    Parameters
    ----------
    smaller, larger : FlightFit
        Fits to the same records; the smaller one holds parameters that the larger one fits.

    Returns
    -------
    RatioTest

    Raises
    ------
    ModelError
        If the records differ, the models are not nested, or the usual theory does not hold (another number of
        flights).

    Notes
    -----
    Reference: F with (years - 1) denominator degrees of freedom where the years (or sites) share a shift,
    (trap-years - 1) where trap-years have one of their own only, as for the intervals of a fit
    (:mod:`phenofit.flight.intervals.reference_distribution`), so that a held value is rejected exactly where the
    interval of that level leaves it out; chi-squared without shifts. Where the smaller model puts a standard
    deviation at zero or the concentration at infinity, the value lies on the edge of what is possible, and half of
    the chi-squared chance is taken (Self & Liang 1987, J. Amer. Stat. Assoc. 82, 605-610).
    """
    from scipy.stats import chi2

    _same_records({"the smaller model": smaller, "the larger model": larger})
    found = nesting(smaller, larger)
    if found.reason:
        raise ModelError(f"no likelihood-ratio test: {found.reason}.")
    statistic = max(2.0 * (larger.log_likelihood - smaller.log_likelihood), 0.0)
    if found.edge:
        # 0 and the chi-squared of all degrees bound the mixture; with one edge parameter it is their mean of
        # one degree less and all.
        upper = float(chi2.sf(statistic, found.degrees))
        lower = float(chi2.sf(statistic, found.degrees - 1)) if found.degrees > 1 else float(statistic == 0.0)
        return RatioTest(
            statistic,
            found.degrees,
            0.5 * (lower + upper),
            f"half chi-squared with {found.degrees - 1}, half with {found.degrees} degrees of freedom",
        )
    below = degrees_of_error("requirement_1", larger.settings, larger.data, larger.parameters)
    p = p_value_of_ratio(statistic, found.degrees, below)
    unit, _ = replicates(larger.settings, larger.data)
    words = f"F with {found.degrees} and {below:g} degrees of freedom ({unit}s - 1)"
    if math.isinf(below):
        words = f"chi-squared with {found.degrees} degree(s) of freedom"
    return RatioTest(statistic, found.degrees, p, words)


def flights_evidence(fits: Mapping[str, FlightFit] | Sequence[FlightFit]) -> str:
    """Say in words how many flights the catches show.

    Parameters
    ----------
    fits : mapping of str to FlightFit, or sequence of FlightFit
        Fits to the same records with different numbers of flights.

    Returns
    -------
    str
        One or two sentences, with the differences in AIC.

    Raises
    ------
    ModelError
        If the records differ, or fewer than two numbers of flights are there.

    Notes
    -----
    No likelihood-ratio test is made: with one flight fewer the place of the missing one is not defined, and the
    usual reference does not hold. The words for differences in AIC: below 2 nearly as good, 2 to 7 less
    supported, 7 to 10 hardly supported, above 10 not supported. Burnham & Anderson (2004, Sociol. Methods
    Res. 33, 270-272) set their limits at 2, 4 to 7 and 10.
    """
    named = _named(fits)
    _same_records(named)
    best: dict[int, FlightFit] = {}
    for fit in named.values():
        count = fit.settings.flights
        if count not in best or fit.aic < best[count].aic:
            best[count] = fit
    if len(best) < 2:
        raise ModelError("give fits of two numbers of flights or more.")
    order = sorted(best, key=lambda n: best[n].aic)
    least = best[order[0]].aic
    gaps = {count: best[count].aic - least for count in order[1:]}
    parts = [f"{_flights(count)} {_support(gap)} (AIC {gap:.1f} higher)" for count, gap in gaps.items()]
    text = f"{_flights(order[0]).capitalize()} a season describe{'s' if order[0] == 1 else ''} the catches best; "
    text += ", ".join(parts) + "."
    for n in order:
        if not best[n].converged or any("overlap" in p for p in best[n].problems):
            text += f" The fit of {_flights(n)} has problems of its own; read them first."
    return text


def _flights(count: int) -> str:
    return f"{('one', 'two', 'three')[count - 1]} flight{'s' if count > 1 else ''}"


def _support(gap: float) -> str:
    if gap < 2.0:
        return "would do nearly as well"
    if gap < 7.0:
        return "would be less well supported"
    return "would hardly be supported" if gap < 10.0 else "would not be supported"


def _named(fits: Mapping[str, FlightFit] | Sequence[FlightFit]) -> dict[str, FlightFit]:
    if isinstance(fits, Mapping):
        return dict(fits)
    facts = [_facts("", fit) for fit in fits]
    parts = (
        "flights",
        "curve",
        "base",
        "shifts",
        "counts",
        "covariates",
        "night weather",
        "covariates act on",
    )
    different = [p for p in parts if len({str(f[p]) for f in facts}) > 1]
    names: dict[str, FlightFit] = {}
    for k, (fit, fact) in enumerate(zip(fits, facts, strict=True), start=1):
        name = ", ".join(_part_words(p, fact[p]) for p in different) or f"fit {k}"
        names[name if name not in names else f"{name} ({k})"] = fit
    return names


def _part_words(part: str, value: Any) -> str:
    if part == "flights":
        return _flights(int(value))
    if part == "curve":
        return f"{value} curve"
    return f"{part} {value or 'none'}"


def _facts(name: str, fit: FlightFit) -> dict[str, object]:
    s = fit.settings
    return {
        "model": name,
        "flights": s.flights,
        "curve": s.curve,
        "base": "fitted" if s.base_held is None else f"held at {s.base_held:g} degC",
        "shifts": " + ".join(s.shifts) or "none",
        "counts": s.counts,
        "covariates": ", ".join(s.covariates),
        "covariates act on": ("heat" if s.spread_follows else "requirement") if s.covariates else "",
        "night weather": s.night_weather or "",
        "fitted": fit.fitted,
        "log_likelihood": fit.log_likelihood,
        "aic": fit.aic,
        "converged": fit.converged,
    }


def _test_row(fit: FlightFit, best: FlightFit, best_name: str, *, is_best: bool) -> dict[str, object]:
    empty = {"lr_against": "", "lr_statistic": np.nan, "lr_degrees": pd.NA, "p_value": np.nan}
    if is_best:
        return {**empty, "note": "least AIC" + ("" if fit.converged else "; the search did not converge")}
    found = nesting(fit, best)
    if found.reason:
        return {**empty, "note": f"no likelihood-ratio test against the best: {found.reason}"}
    test = likelihood_ratio(fit, best)
    return {
        "lr_against": best_name,
        "lr_statistic": test.statistic,
        "lr_degrees": test.degrees,
        "p_value": test.p_value,
        "note": test.reference,
    }


def _same_records(named: Mapping[str, FlightFit]) -> None:
    """Refuse fits to different catches: their likelihoods are about different things."""
    (first_name, first), *others = named.items()
    dropped, *more = (int(fit.left_out["rows"].sum()) for fit in named.values())
    keys = ["trap", "season", "total"]
    reference = first.data[keys].astype(str).sort_values(keys).to_numpy().tolist()
    inputs = first.provenance.get("inputs")
    for (name, fit), other_dropped in zip(others, more, strict=True):
        rows = fit.data[keys].astype(str).sort_values(keys).to_numpy().tolist()
        if rows != reference:
            raise ModelError(
                f"'{first_name}' and '{name}' were not fitted to the same records: {len(reference)} trap-years "
                f"with {first.moths} moths against {len(rows)} with {fit.moths}; fit both to the same trap-years."
            )
        if other_dropped != dropped:
            raise ModelError(
                f"'{first_name}' and '{name}' left out different records ({dropped} against {other_dropped} check "
                "intervals); fit both to the same intervals."
            )
        if fit.settings.rearing != first.settings.rearing:
            raise ModelError(
                f"'{first_name}' and '{name}' do not use the same rearing data; fit both with the same."
            )
        other = fit.provenance.get("inputs")
        if inputs is not None and other is not None and inputs != other:
            raise ModelError(
                f"'{first_name}' and '{name}' were fitted from input files with different contents; fit both again "
                "from the same files."
            )
