"""Do regions (hosts, kinds of trap, heights) differ in their requirement? Effects of one column, tested together."""

from __future__ import annotations

import html
import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pandas as pd

from phenofit.errors import ModelError
from phenofit.flight.fitted_likelihood import data_of_fit
from phenofit.flight.fitting import fit_data
from phenofit.flight.inference.catch_ratios import CatchRatios, catch_ratios
from phenofit.flight.intervals.profile import where_passed
from phenofit.flight.intervals.reference_distribution import cut_of_ratio, p_value_of_ratio
from phenofit.flight.likelihood.covariates import Covariate, covariate_design
from phenofit.flight.likelihood.flight_data import FlightData
from phenofit.flight.result import FlightFit
from phenofit.flight.result_text import fixed, html_frame, html_list
from phenofit.flight.selection.flight_count import fit_flights

if TYPE_CHECKING:
    from phenofit.flight.model import FlightModel
    from phenofit.records import Records
    from phenofit.traps import TrapYears

CONTRAST_COLUMNS = (
    "level", "flight", "trap_years", "sites", "moths", "requirement", "low", "high", "ratio", "ratio_low", "ratio_high",
    "catch_ratio", "catch_low", "catch_high",
)  # fmt: skip
_PROFILE_LEVEL = 0.999  # wide enough for most references with few sites


@dataclass(frozen=True)
class Contrast:
    """Test of the effects of one column on the requirement.

    Attributes
    ----------
    column : str
        The column.
    statistic : float
        Twice the difference of the log-likelihoods with and without its effects.
    degrees : int
        Number of effects.
    p_value : float
        Chance of a statistic as large without any effect; NaN where there are too few sites (or years).
    p_chi_squared : float
        The same by the chi-squared distribution, which takes their number to be large.
    reference : str
        The distribution behind `p_value`, in words.
    table : DataFrame
        ``CONTRAST_COLUMNS``: a row for each level and flight with its requirement [degC d], and the ratio to the
        reference level. A column of numbers has the row of its mean, where `ratio` is that of one unit more.
        ``catch_ratio`` is the ratio of the catch per trap-night to a reference kind at the same site in the same year,
        the same for all flights; NaN where kinds never stood side by side.
    fit, without : FlightFit
        The fits with and without the effects.
    remarks : tuple of str
        What to know before the numbers are read.
    catches : CatchRatios or None
        How much more one kind of trap or lure catches than another.
    """

    column: str
    statistic: float
    degrees: int
    p_value: float
    p_chi_squared: float
    reference: str
    table: pd.DataFrame
    fit: FlightFit
    without: FlightFit
    remarks: tuple[str, ...]
    catches: CatchRatios | None = None

    def sentence(self) -> str:
        """Return the result of the test in words, and the ratio of catches where kinds stood side by side."""
        return " ".join([self._test_words(), *([] if self.catches is None else [self.catches.sentence()])])

    def _test_words(self) -> str:
        numbers = f"likelihood ratio {self.statistic:.2f}, {self.reference}"
        if math.isnan(self.p_value):
            return f"Whether the requirement depends on {self.column} cannot be decided ({numbers})."
        weak = "no evidence" if self.p_value > 0.05 else "evidence"
        p = f"{self.p_value:.3f}" if self.p_value >= 0.0005 else "below 0.001"
        return f"There is {weak} that the requirement depends on {self.column} (p {p}; {numbers})."

    def summary(self) -> str:
        """Return the test, the requirement of each level and the remarks as text."""
        s = self.fit.settings
        terms = f"heat: {s.heat.describe(self.fit.base)}, from {s.start_words}; requirements in degC d, "
        head = f"{'level':<20}{'flight':>7}{'sites':>7}{'moths':>8}{'requirement':>13}{'low':>9}{'high':>9}"
        catch_head = f"{'catch':>8}{'low':>8}{'high':>8}"
        lines = [
            self.sentence(),
            terms + f"{100 * s.level:g} % profile intervals",
            "",
            head + f"{'ratio':>8}{'low':>8}{'high':>8}" + (catch_head if self.catches is not None else ""),
        ]
        for r in self.table.to_dict("records"):
            lines.append(
                f"{str(r['level'])[:19]:<20}{r['flight']:>7}{r['sites']:>7}{r['moths']:>8}{r['requirement']:>13.1f}"
                f"{fixed(r['low'], 1, 'open'):>9}{fixed(r['high'], 1, 'open'):>9}{r['ratio']:>8.3f}{fixed(r['ratio_low'], 3, 'open'):>8}"
                f"{fixed(r['ratio_high'], 3, 'open'):>8}" + ("" if self.catches is None else _catch_cells(r))
            )
        lines.extend(f"! {text}" for text in (*self.remarks, *self.fit.problems))
        return "\n".join(lines)

    __str__ = __repr__ = summary

    def _repr_html_(self) -> str:
        return (
            f"<div><p>{html.escape(self.sentence())}</p>{html_frame(self.table, 'open')}"
            f"<p>requirements in degC d</p>{html_list((*self.remarks, *self.fit.problems))}</div>"
        )


def _catch_cells(row: Mapping[Hashable, float]) -> str:
    return "".join(f"{fixed(row[name], 2, '-'):>8}" for name in ("catch_ratio", "catch_low", "catch_high"))


def contrast(
    records: Records, model: FlightModel, column: str, *, shifts: tuple[str, ...] | None = None
) -> Contrast:
    """Test whether the requirement depends on a column of the trap table, and by how much.

    Parameters
    ----------
    records : Records
        Trap-years, weather, links, season and biofix.
    model : FlightModel
        The model without the effects of the column; its own covariates are in both fits.
    column : str
        Text (region, host, kind of trap) or numbers (height above the sea).
    shifts : tuple of str, optional
        Parts of the shift, in both fits; by default those that let the column's own unit differ.

    Returns
    -------
    Contrast

    Raises
    ------
    ModelError
        If the column cannot be a covariate, or has a level without a moth.

    Notes
    -----
    Where several kinds stood at a site in the same year, the ratio of their catches is given too; see the notes of
    :func:`phenofit.flight.inference.catch_ratios.catch_ratios`. Catching power and timing are different questions:
    a lure may catch three times as many moths at the same time.

    The test is the likelihood ratio of the fits with and without the column's k effects. The number of replicates n is
    the number of sites where the column varies between sites only, of years where it varies between years only, else
    of trap-years. With ``v = n - 1 - k``, an analysis of variance of n normal means has the likelihood
    ratio ``n log(1 + k F / v)``, F with k and v degrees of freedom (*The Book of Statistical Proofs*, P443).
    The statistic is turned into F by that. Intervals end where it has the quantile of F with 1 and v degrees.
    The chi-squared reference, which takes n to be large, is given too. In simulated networks without any
    effect (5 years, site SD 25 degC d, trap-year SD 20) a test at 5 % by F rejected in 2.7, 5.1 and 4.0 % of
    150, 450 and 150 networks of 4, 8 and 12 sites, one by chi-squared in 18.7, 9.3 and 7.3 %; with years of
    SD 20 crossed with 8 sites in 6.7 and 10 % of 120; with 8 sites and no site shift in the model in 18 and 27 %
    of 150.
    """
    _every_level_caught(records.trap_years, column)
    unit = _unit(records.trap_years.years, column)
    if shifts is None:
        shifts = ("year", "site", "trap-year") if unit == "site" else ("year", "trap-year")
    model = replace(model, shifts=shifts)
    small = fit_flights(records, model, profiles=False)
    wider = replace(model, curve=small.settings.curve, flights=small.settings.flights)
    large = fit_flights(records, replace(wider, covariates=(*model.covariates, column)), profiles=False)
    data = data_of_fit(large, records)
    design = covariate_design(large.data, (column,), fitted=large.parameters)
    found = design.covariates[0]
    effects = len(design.names)
    below = _degrees_below(large, unit, effects)
    statistic = max(2.0 * (large.log_likelihood - small.log_likelihood), 0.0)
    p, p_wide, words = _reference(statistic, effects, below, unit)
    catches = None
    remarks = _remarks(large, small, unit, below)
    if found.levels and unit == "trap-year":
        catches = catch_ratios(records.trap_years, column, found.levels, level=large.settings.level)
        remarks += () if catches is None else catches.remarks
    table = _with_catches(_table(large, data, found, below), catches)
    return Contrast(column, statistic, effects, p, p_wide, words, table, large, small, remarks, catches)


def _with_catches(table: pd.DataFrame, catches: CatchRatios | None) -> pd.DataFrame:
    names = {"ratio": "catch_ratio", "low": "catch_low", "high": "catch_high"}
    if catches is None:
        return table.assign(**dict.fromkeys(names.values(), math.nan))
    own = catches.table.rename(columns=names)[["level", *names.values()]]
    return table.merge(own, on="level", how="left")


def _every_level_caught(trap_years: TrapYears, column: str) -> None:
    table = trap_years.years
    if column not in table.columns:
        raise ModelError(
            f"the trap table has no column '{column}'; it has {', '.join(str(c) for c in table.columns)}."
        )
    if pd.api.types.is_numeric_dtype(table[column]):
        return
    moths = table.groupby(table[column].astype(str), sort=True)["total"].sum()
    empty = [str(level) for level, total in moths.items() if total == 0 and str(level).strip()]
    if empty:
        raise ModelError(
            f"the level '{empty[0]}' of '{column}' has no moth, so it has no estimate; leave its traps out, or "
            "join it to another level."
        )


def _unit(years: pd.DataFrame, column: str) -> str:
    """Return the largest unit within which the column is constant: site, year, or trap-year."""
    for unit in ("site", "year"):
        if years.groupby(unit)[column].nunique(dropna=False).max() == 1:
            return unit
    return "trap-year"


def _degrees_below(fit: FlightFit, unit: str, effects: int) -> int:
    if unit != "trap-year":
        return int(fit.data[unit].nunique()) - 1 - effects
    shared = sum(
        int(fit.data[part].nunique()) - 1 for part in ("year", "site") if part in fit.settings.shifts
    )
    return len(fit.data) - 1 - effects - shared


def _reference(statistic: float, effects: int, below: int, unit: str) -> tuple[float, float, str]:
    wide = p_value_of_ratio(statistic, effects, math.inf)
    if below < 1:
        return math.nan, wide, f"no {unit} is left over to estimate how much {unit}s differ"
    words = f"F with {effects} and {below} degrees of freedom, from the number of {unit}s"
    return p_value_of_ratio(statistic, effects, below, fitted=1), wide, words


def _table(fit: FlightFit, data: FlightData, column: Covariate, below: int) -> pd.DataFrame:
    flights = range(1, fit.settings.flights + 1)
    wanted = tuple(f"requirement_{g}" for g in flights)
    levels = column.levels or (f"mean {column.centre:.6g}",)
    rows = []
    ratios: dict[str, tuple[float, float | None, float | None]] = {}
    for level in levels:
        table = data.table
        if column.levels:
            order = [level, *(v for v in column.levels if v != level)]
            text = table[column.column].astype(str).str.strip()
            table = table.assign(**{column.column: pd.Categorical(text, categories=order)})
        first = level == levels[0]
        wider = replace(fit.settings, level=max(fit.settings.level, _PROFILE_LEVEL))
        names = (*wanted, *(f"effect {n}" for n in column.names)) if first else wanted
        there = fit_data(replace(data, table=table), wider, profiles=names, precise=False)
        if first:
            ratios = _ratios(there, column, fit.settings.level, below)
        part = table[table[column.column] == level] if column.levels else table
        for g in flights:
            ends = _ends(there, f"requirement_{g}", fit.settings.level, below, len(column.names))
            size = (len(part), int(part["site"].nunique()), int(part["total"].sum()))
            rows.append((level, g, *size, there.requirement(g), *ends, *ratios[level]))
    columns = dict.fromkeys(("low", "high", "ratio_low", "ratio_high"), float)
    return pd.DataFrame(rows, columns=list(CONTRAST_COLUMNS[:-3])).astype(columns)


def _ratios(
    fit: FlightFit, column: Covariate, level: float, below: int
) -> dict[str, tuple[float, float | None, float | None]]:
    found: dict[str, tuple[float, float | None, float | None]] = {}
    if column.levels:
        found[column.levels[0]] = (1.0, 1.0, 1.0)
    for name, label in zip(column.names, column.levels[1:] or (f"mean {column.centre:.6g}",), strict=True):
        ends = _ends(fit, f"effect {name}", level, below, len(column.names))
        low, high = (None if end is None else math.exp(end / column.scale) for end in ends)
        found[label] = (math.exp(fit.parameters[f"effect {name}"] / column.scale), low, high)
    return found


def _ends(
    fit: FlightFit, name: str, level: float, below: int, effects: int
) -> tuple[float | None, float | None]:
    """Return the ends of an interval on the degrees that the column has."""
    if below < 1:
        return None, None
    profile = fit.profiles[name]
    cut = math.sqrt(cut_of_ratio(level, 1, below, fitted=effects))
    # Where few sites need a cut beyond the end of the computed profile, the end is reported as open.
    return where_passed(profile.values, profile.deviance, profile.estimate, cut)


def _remarks(fit: FlightFit, without: FlightFit, unit: str, below: int) -> tuple[str, ...]:
    said = []
    parts = fit.settings.shifts
    if unit != "trap-year" and unit not in parts and fit.data[unit].nunique() < len(fit.data):
        said.append(
            f"The column varies only between {unit}s, and the model has no {unit} shift: trap-years of one {unit} "
            "count as independent evidence, so the p value is too small and the intervals are too narrow."
        )
    if unit != "year" and "year" not in parts and fit.data["year"].nunique() > 1:
        said.append("The model has no year shift: the requirements themselves hold for these years.")
    if below < 1:
        said.append(f"There are as many effects as {unit}s: take the numbers as a description only.")
    elif below < 4:
        said.append(f"{below} degree(s) of freedom are left to judge the difference by: the test is weak.")
    if not (fit.converged and without.converged):
        said.append("A search did not converge; do not use these numbers.")
    return tuple(said)
