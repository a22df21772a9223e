"""Diagnostics of a fit: older rules, residuals, influence of trap-years, strays, joint regions, number of flights."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from phenofit.analysis.record_checks import RecordChecks, check_records
from phenofit.errors import DataError, FitError, ModelError
from phenofit.flight import (
    JointRegion,
    NightWeatherTest,
    check_residuals,
    joint_region,
    night_weather_test,
    older_rules,
)
from phenofit.flight.baselines.rule_search import RULES, EventHeat
from phenofit.flight.baselines.rules import OLDER_RULE_COLUMNS, event_heat
from phenofit.flight.diagnostics.influences import influence
from phenofit.flight.diagnostics.other_curves import CurveTest, curve_test
from phenofit.flight.diagnostics.strays import stray_checks
from phenofit.flight.selection.curve_choice import CURVE_NOTE
from phenofit.validate.observed import observed_events

if TYPE_CHECKING:
    from phenofit.flight import FlightFit
    from phenofit.records import Records

FITTED_RULE = "fitted here"
"""Name of the fit itself in the table of the older rules."""

BESIDE_COLUMNS = (
    *OLDER_RULE_COLUMNS,
    "scatter_days",
    "scatter_at_fit",
    "spread_at_fit",
    "mean_at_fit",
    "slope_at_fit",
    "coldest",
    "warmest",
)


@dataclass(frozen=True)
class FitChecks:
    """Diagnostics of a fit.

    Attributes
    ----------
    older : pandas.DataFrame
        The fit and the older rules, see :func:`rules_beside`; empty where they cannot be applied.
    residuals : pandas.DataFrame
        Randomised quantile residuals of the checks, see :func:`phenofit.flight.check_residuals`; empty where there are
        none.
    carried : pandas.DataFrame
        Trap-years by how far the estimates would move without them, see
        :func:`phenofit.flight.influence`; empty where nothing can move.
    strays : pandas.DataFrame
        Checks with a moth by the share of strays in their catch, see :func:`phenofit.flight.diagnostics.strays.stray_checks`; empty
        where the fit has no strays or is not of counts.
    night : NightWeatherTest, optional
        Score test of the effect of night weather on the catches; absent where the fit has that effect, or cannot have it.
    curves : CurveTest, optional
        The held curve against all others; absent where the curve was chosen.
    regions : mapping of int to JointRegion
        Joint region of base and requirement of each flight; empty where the base was held.
    records : RecordChecks
        Flights that traps missed in part, and stations that differ from their traps.
    flights : str
        What the catches say about the number of flights; empty where that was not asked.
    questions : tuple of str
        Answers to further questions of the study: contrasts and start dates.
    notes : tuple of str
        Why something is missing.
    """

    older: pd.DataFrame = field(default_factory=pd.DataFrame)
    residuals: pd.DataFrame = field(default_factory=pd.DataFrame)
    carried: pd.DataFrame = field(default_factory=pd.DataFrame)
    strays: pd.DataFrame = field(default_factory=pd.DataFrame)
    night: NightWeatherTest | None = None
    curves: CurveTest | None = None
    regions: Mapping[int, JointRegion] = field(default_factory=dict)
    records: RecordChecks = field(default_factory=RecordChecks)
    flights: str = ""
    questions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def check_fit(fit: FlightFit, records: Records, *, min_moths: int, seed: int, flights: str = "") -> FitChecks:
    """Compute the diagnostics of a fit.

    Parameters
    ----------
    fit : FlightFit
        The fit.
    records : Records
        The records it was made from.
    min_moths : int
        Fewest moths of a flight in a trap-year whose date the older rules use.
    seed : int
        Seed of the random draws in the residuals.
    flights : str
        Evidence on the number of flights, copied into the result.

    Returns
    -------
    FitChecks
        What cannot be computed for these records is empty, with a note.
    """
    notes: list[str] = []

    def attempt(what: str, look: Callable[[], pd.DataFrame]) -> pd.DataFrame:
        try:
            return look()
        except (DataError, FitError, ModelError) as error:
            notes.append(f"{what}: {error}")
            return pd.DataFrame()

    suited = check_records(fit, records)
    return FitChecks(
        older=attempt(
            "No older rules beside the fit", lambda: rules_beside(fit, records, min_moths=min_moths)
        ),
        residuals=attempt("No residuals of the checks", lambda: check_residuals(fit, records, seed=seed)),
        carried=attempt("No influence of single trap-years", lambda: influence(fit, records)),
        strays=(
            attempt("No search for strays", lambda: stray_checks(fit, records))
            if fit.settings.records == "counts" and fit.parameters["stray_share"] > 0.0
            else pd.DataFrame()
        ),
        night=_night(fit, records, notes),
        curves=_curves(fit, records, notes),
        regions=_regions(fit, records, notes),
        records=suited,
        flights=flights,
        notes=(*notes, *suited.notes),
    )


def _night(fit: FlightFit, records: Records, notes: list[str]) -> NightWeatherTest | None:
    if fit.settings.night_weather is not None or fit.settings.records == "first catch":
        return None
    try:
        return night_weather_test(fit, records)
    except (DataError, ModelError) as error:
        notes.append(f"No test of the weather of nights: {error}")
        return None


def _curves(fit: FlightFit, records: Records, notes: list[str]) -> CurveTest | None:
    if CURVE_NOTE in fit.provenance:
        return None
    try:
        return curve_test(fit, records)
    except (DataError, FitError, ModelError) as error:
        notes.append(f"No comparison with other flight curves: {error}")
        return None


def _regions(fit: FlightFit, records: Records, notes: list[str]) -> dict[int, JointRegion]:
    found: dict[int, JointRegion] = {}
    for flight in range(1, fit.settings.flights + 1):
        name = f"requirement_{flight}"
        if not {"base", name} <= set(fit.covariance.columns) or "base" not in fit.profiles:
            continue
        try:
            found[flight] = joint_region(fit, records, names=("base", name))
        except (DataError, FitError, ModelError) as error:
            notes.append(f"No joint region of base and requirement of flight {flight}: {error}")
    return found


def rules_beside(fit: FlightFit, records: Records, *, min_moths: int = 5) -> pd.DataFrame:
    """Apply the older rules to the dates of half of each flight, and put the fit on the same terms beside them."""
    settings = fit.settings
    if settings.records != "counts":
        raise ModelError("they take the date of half of a counted flight, and this fit is of less.")
    dates = observed_events(records, events=("flight_50",), min_moths=min_moths, fit=fit).table[
        ["trap_year", "flight", "observed"]
    ]
    found = older_rules(records, heat=settings.heat, events=dates, base_range=settings.base_range)
    rows: list[dict[str, object]] = []
    for flight, part in dates.groupby("flight", sort=True):
        number = int(str(flight))
        data = event_heat(records, part, heat=settings.heat)
        heat, temperature = data.heat(fit.base), data.times.mean_temperature()
        away = temperature - temperature.mean()
        facts = {
            "flight": number,
            "scatter_at_fit": _scatter(data, fit.base),
            "spread_at_fit": float(np.std(heat, ddof=1)),
            "mean_at_fit": float(heat.mean()),
            "slope_at_fit": float(away @ heat / (away @ away)) if np.ptp(temperature) > 0 else np.nan,
            "coldest": float(temperature.min()),
            "warmest": float(temperature.max()),
        }
        own = {
            "rule": FITTED_RULE, "base": fit.base, "base_se": _error(fit, "base"), "base_unit": "degC",
            "requirement": fit.requirement(number), "requirement_se": _error(fit, f"requirement_{number}"),
            "unit": "degC d", "spread": facts["spread_at_fit"], "trap_years": len(data),
            "years": len(np.unique(data.years)), "note": "",
        }  # fmt: skip
        rules = found[found["flight"] == number].to_dict("records")
        for row in [own, *({str(k): v for k, v in rule.items()} for rule in rules)]:
            rows.append({**row, **facts, "scatter_days": _scatter(data, float(str(row["base"])))})
    table = pd.DataFrame(rows, columns=list(BESIDE_COLUMNS))
    order = {name: k for k, name in enumerate((FITTED_RULE, *RULES))}
    return table.sort_values(
        ["flight", "rule"], key=lambda c: c.map(order) if c.name == "rule" else c, kind="stable"
    ).reset_index(drop=True)


def _scatter(data: EventHeat, base: float) -> float:
    """Return the SD of the heat at the events, over the mean heat per day before them [d]."""
    rate = data.heat_per_day(base) if np.isfinite(base) else 0.0
    return float(np.std(data.heat(base), ddof=1)) / rate if rate > 0 else float("nan")


def _error(fit: FlightFit, name: str) -> float:
    return (
        float(np.sqrt(fit.covariance[name].to_numpy()[fit.covariance.index.get_loc(name)]))
        if name in fit.covariance.columns
        else np.nan
    )
