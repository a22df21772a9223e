"""The answers in plain words: what the page says before any table."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from typing import Any

import pandas as pd

from phenofit.analysis.results import SpeciesResult
from phenofit.flight.likelihood.covariates import covariate_design
from phenofit.flight.result import FlightFit
from phenofit.report.words import amount, interval, period, scheme_words, temperature
from phenofit.validate.forecasters import CALENDAR, FITTED
from phenofit.validate.requirement_trend import trend_test
from phenofit.validate.scores import first_scheme
from phenofit.wording import day, fitted_decimals, forecaster_words, heat_words, number, start_words


def terms(fit: FlightFit) -> str:
    """Return base, method and start of a fit's heat sums in words."""
    heat = heat_words(fit, base=False)
    covariates = covariate_design(fit.data, fit.settings.covariates, fitted=fit.parameters).words()
    text = f"{heat}, base {temperature(fit.base, fitted_decimals(fit, 'base'))}, summed from {start_words(fit.settings.start_words)}"
    return f"{text}; {covariates}" if covariates else text


def flight_sentences(fit: FlightFit) -> list[str]:
    """Return a sentence for each flight: the heat at which half of it has flown, with interval and terms."""
    said = []
    level = f"{100 * fit.settings.level:g} %"
    for flight in range(1, fit.settings.flights + 1):
        name = f"flight {flight}" if fit.settings.flights > 1 else "the flight"
        what = f"Half of {name} has flown"
        if fit.settings.records == "first catch":
            what = "Half of the traps have caught their first moth"
        text = f"{what} at {amount(fit.requirement(flight))}; {terms(fit)}."
        key = f"requirement_{flight}"
        if key in fit.profiles:
            low, high = fit.interval(key)
            text += f" {level} interval: {interval(low, high, '°C-days', 0)}"
            text += (
                " (it counts that the base is uncertain too)."
                if "base" in fit.profiles
                else ", with the base held."
            )
        said.append(text)
    return said


def base_sentence(fit: FlightFit) -> str:
    """Return what the data say about the base, open ends in words."""
    level = f"{100 * fit.settings.level:g} %"
    if "base" not in fit.profiles:
        return f"The base temperature was held at {temperature(fit.base, 2)}; it was not estimated."
    low, high = fit.interval("base")
    digits = fitted_decimals(fit, "base")
    best = f"the best value is {temperature(fit.base, digits)}"
    if low is None and high is None:
        return (
            f"These data do not fix the base temperature: its {level} interval is open on both sides; {best}."
        )
    if low is None or high is None:
        return (
            f"These data do not fix the base temperature on one side: its {level} interval is "
            f"{interval(low, high, '°C', digits)}; {best}."
        )
    return (
        f"The base temperature lies between {number(low, digits)} and {number(high, digits)} °C ({level} interval); "
        f"{best}."
    )


def error_sentences(result: SpeciesResult, *, event: str = "flight_50") -> list[str]:
    """Return the mean absolute error of held-out forecasts, the weather known and ahead of it, for each flight."""
    scores = result.scores
    if scores.empty:
        return []
    scheme, rows = str(scores["scheme"].iloc[0]), first_scheme(scores, event)
    said = []
    for flight, mine in rows.groupby("flight", sort=True):
        known = mine[mine["lead_days"].isna()].sort_values("mae_days", kind="stable").to_dict("records")
        of = {str(row["forecaster"]): row for row in known}
        if FITTED not in of:
            continue
        name = f"half of flight {flight}" if rows["flight"].nunique() > 1 else "half of the flight"
        fitted = of[FITTED]
        if not fitted["forecasts"]:
            said.append(f"{scheme_words(scheme)[1]}, all {fitted['failed']} forecasts of {name} failed.")
            continue
        failed = f"; {fitted['failed']} failed" if fitted["failed"] else ""
        said.append(
            f"{scheme_words(scheme)[1]}, the mean absolute error (MAE) of the date for {name} is "
            f"{number(fitted['mae_days'])} days with the weather of the season known "
            f"({fitted['forecasts']} forecasts in {fitted['years']} seasons{failed}){_others(known)}.{_ahead(mine)}"
        )
    return said


def _others(scores: Sequence[Mapping[Hashable, Any]]) -> str:
    """Return the MAE of the mean calendar date and of published thresholds, to follow that of the fit."""
    named = ((str(row["forecaster"]), float(row["mae_days"])) for row in scores)
    others = [
        f"{forecaster_words(name)} {number(error)}"
        for name, error in named
        if (name == CALENDAR or name.startswith("published:")) and not math.isnan(error)
    ]
    return f"; {', '.join(others)}" if others else ""


def _ahead(scores: pd.DataFrame) -> str:
    """Return the sentence on the longest lead time at which the fit has an error; empty where there is none."""
    longest = longest_tested(scores)
    if longest is None or longest <= 0.0:
        return ""
    same = scores[scores["lead_days"] == longest].sort_values("mae_days", kind="stable").to_dict("records")
    (error,) = (row["mae_days"] for row in same if row["forecaster"] == FITTED)
    return f" Forecast {longest:.0f} days ahead it is {number(error)} days{_others(same)}."


def calendar_sentences(result: SpeciesResult, *, event: str = "flight_50") -> list[str]:
    """Say where the fit forecasts no better than the mean calendar date, with the likely reasons."""
    if result.scores.empty:
        return []
    rows = first_scheme(result.scores, event)
    rows = rows[rows["lead_days"].isna()]
    said = []
    for flight, mine in rows.groupby("flight", sort=True):
        of = {str(row["forecaster"]): row for row in mine.to_dict("records")}
        if not {FITTED, CALENDAR} <= set(of):
            continue
        skill, low = float(of[FITTED]["skill"]), float(of[FITTED]["skill_low"])
        if math.isnan(skill) or (skill > 0 and low > 0):
            continue
        sizes = " against ".join(number(float(of[name]["mae_days"])) for name in (FITTED, CALENDAR))
        whose = f" of flight {flight}" if rows["flight"].nunique() > 1 else ""
        finding = (
            "The fit forecasts no better than the mean calendar date"
            if skill <= 0
            else "It is not certain that the fit forecasts better than the mean calendar date"
        )
        said.append(
            f"{finding}{whose} (MAE {sizes} days, weather known). Possible reasons: {_reasons(result)}."
        )
    return said


def _reasons(result: SpeciesResult) -> str:
    links, used = result.records.links, result.fit.data["trap"].astype(str)
    near = links.loc[links["trap"].astype(str).isin(used), "distance_km"].dropna()
    seasons = result.fit.data["year"].nunique()
    return "; ".join(
        [
            *(
                [f"the stations are far from the traps (median {number(near.median())} km)"]
                if len(near)
                else []
            ),
            f"there are few seasons ({seasons}), or they were alike in temperature",
            "there are more flights than were fitted, or moths fly in from elsewhere",
        ]
    )


def drift_sentences(validation: pd.DataFrame, *, event: str = "flight_50") -> list[str]:
    """Return whether the fitted forecaster's error moves with the years, a sentence for each flight."""
    if validation.empty:
        return []
    found = trend_test(first_scheme(validation, event))
    several = found["flight"].nunique() > 1
    said = []
    for row in found.to_dict("records"):
        whose = f" of flight {row['flight']}" if several else ""
        sentence = str(row["sentence"]).replace("-", "−")
        said.append(f"Over {row['years']} seasons{whose}, {sentence}")
    return said


def longest_tested(scores: pd.DataFrame) -> float | None:
    """Return the longest lead time [d] at which forecasts of the fit were tested; None where none was tested ahead."""
    if scores.empty:
        return None
    mine = scores[(scores["forecaster"] == FITTED) & (scores["forecasts"] > 0)]
    longest = float(mine["lead_days"].max())
    return None if math.isnan(longest) else longest


def season_sentences(
    forecast: pd.DataFrame | None, *, event: str = "flight_50", tested: float | None = None
) -> list[str]:
    """Return when this season's flights are expected over all places, a sentence for each flight.

    `tested` is the longest lead time at which forecasts were tested [d]; dates farther ahead are said to be so.
    """
    if forecast is None or forecast.empty:
        return []
    rows = forecast[forecast["event"] == event]
    said = []
    for flight, mine in rows.groupby("flight", sort=True):
        known = mine["median"].dropna()
        if known.empty:
            continue
        name = f"half of flight {flight}" if rows["flight"].nunique() > 1 else "half of the flight"
        season = str(mine["season"].iloc[0])
        issued = day(mine["issued"].iloc[0], year=True)
        ordered = mine.loc[known.index].sort_values("median", kind="stable")
        early, late = ordered.iloc[0], ordered.iloc[-1]
        said.append(
            f"In {season}, as of {issued}, {name} is expected from {day(early['median'])} ({early['site']}; chance of "
            f"80 %: {period(early['low80'], early['high80'])}) to {day(late['median'])} ({late['site']}; "
            f"{period(late['low80'], late['high80'])}).{_untested(ordered, tested)}"
        )
    return said


def _untested(rows: pd.DataFrame, tested: float | None) -> str:
    """Return the sentence on dates that lie farther ahead than any forecast that was tested; empty where none does."""
    ahead = (rows["median"] - rows["issued"]).dt.total_seconds() / 86400.0
    if tested is None or ahead.max() < tested + 1.0:
        return ""
    return f" Dates more than {tested:.0f} days ahead are farther than any forecast that was tested."
