r"""Traditional rules for the base temperature, in use before likelihood methods.

Each takes one date per trap-year (half of a flight caught), the heat summed until then at a trial base, the days it
took and the mean temperature of those days, and picks a base:

========================== ==================================================================================
rule                       base and requirement
========================== ==================================================================================
least SD in degree-days    base of the smallest SD of the heat at the event; requirement its mean
least SD in days           the same SD divided by the mean heat per day before the event, so that it is in days
least CV in days           base of the smallest SD / mean of the heat, which is also that of the predicted days
regression coefficient     base at which the heat at the event does not change with the mean temperature
x-intercept                straight line of 1 / days on mean temperature; base where it meets zero, requirement
                           one over its slope
========================== ==================================================================================

None is a likelihood: the SD of a sum shrinks when the base rises and the sum with it, so the first rule prefers
high bases and the CV low ones; none allows for what the traps of a year have in common. They are given for
comparison, with the jackknife error over years.

Notes
-----
Where every day of a trap-year has one temperature above the base, heat is days times (temperature - base), and each
rule has a closed form; the tests compare the search with those. For the SD in days the literature divides by the
mean temperature minus the base. With a season of changing days that has no meaning in winter; the mean heat per
day over the last fortnight before the event takes its place, and is equal to it at constant temperature.

References
----------
Arnold, C. Y. (1959). The determination and significance of the base temperature in a linear heat unit system.
Proc. Amer. Soc. Hort. Sci. 74, 430-445. Yang, S., Logan, J., Coffey, D. L. (1995). Mathematical
formulae for calculating the base temperature for growing degree days. Agric. For. Meteorol. 74, 61-74 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from phenofit.errors import DataError, ModelError, Problem
from phenofit.flight.baselines.rule_search import RULES, EventHeat, RuleAnswer, apply_rule
from phenofit.flight.diagnostics.jackknife import jackknife_errors
from phenofit.flight.likelihood.heat_at_times import heat_at_times
from phenofit.heat.settings import HeatSettings

if TYPE_CHECKING:
    from phenofit.records import Records
    from phenofit.traps import TrapYears

OLDER_RULE_COLUMNS = (
    "rule", "flight", "base", "base_se", "base_unit", "requirement", "requirement_se", "unit", "spread",
    "criterion", "criterion_unit", "trap_years", "years", "note",
)  # fmt: skip
_CUT_RATE = 0.25  # a trap that begins or ends at more than this share of its best rate has missed a part
_LEAST = 3


def half_catch_dates(trap_years: TrapYears, *, share: float = 0.5, min_moths: int = 5) -> pd.DataFrame:
    """Return the time by which a share of each trap-year's moths was caught.

    Parameters
    ----------
    trap_years : TrapYears
        Records of a season with one flight.
    share : float
        Share of the catch, between 0 and 1.
    min_moths : int
        Fewest moths; a trap-year with fewer has no date.

    Returns
    -------
    DataFrame
        ``trap_year, flight`` (1), ``observed`` (datetime64[ns]). The catch of an interval is spread evenly over
        it, after division by effort. A trap-year has no date if it begins or ends while many moths fly, or if some
        of its catches were not counted.

    Raises
    ------
    ModelError
        If `share` is not between 0 and 1.
    """
    if not 0.0 < share < 1.0:
        raise ModelError(f"a share of the catch lies between 0 and 1, not at {share}.")
    rows = []
    for key, frame in trap_years.intervals.groupby("trap_year", sort=True):
        part = frame.sort_values("start", kind="stable")
        count = part["count"].to_numpy(dtype=np.float64)
        if count.sum() < min_moths or not (part["status"] == "counted").all():
            continue
        start = part["start"].to_numpy().astype("datetime64[ns]")
        end = part["end"].to_numpy().astype("datetime64[ns]")
        catch = count / part["effort"].to_numpy(dtype=np.float64)
        rate = catch / (end - start).astype(np.float64)
        if max(rate[0], rate[-1]) > _CUT_RATE * rate.max():
            continue
        running = np.cumsum(catch)
        at = int(np.searchsorted(running, share * running[-1]))
        passed = (share * running[-1] - running[at] + catch[at]) / catch[at]
        when = start[at] + np.timedelta64(round(passed * int((end[at] - start[at]).astype(np.int64))), "ns")
        rows.append((int(str(key)), 1, when))
    table = pd.DataFrame(rows, columns=["trap_year", "flight", "observed"])
    return table.astype({"observed": "datetime64[ns]"})


def event_heat(records: Records, events: pd.DataFrame, *, heat: HeatSettings | None = None) -> EventHeat:
    """Bring the dates of one event and the temperatures together."""
    places = records.trap_years.years.set_index("trap_year").loc[events["trap_year"]]
    times = heat_at_times(
        records,
        places["trap"].astype(str).tolist(),
        places["site"].astype(str).tolist(),
        places["year"].astype(int).tolist(),
        events["observed"].to_numpy().astype("datetime64[ns]"),
    )
    # An event on the day of the start has no days and no mean temperature; no rule can use it.
    keep = times.known & (times.days > 0)
    years = places["year"].to_numpy(dtype=np.int64)
    return EventHeat(times.select(keep), years[keep], heat or HeatSettings(), int((~keep).sum()))


def older_rules(
    records: Records,
    *,
    heat: HeatSettings | None = None,
    events: pd.DataFrame | None = None,
    rules: Sequence[str] = RULES,
    base_range: tuple[float, float] = (-5.0, 20.0),
    min_moths: int = 5,
    jackknife: bool = True,
) -> pd.DataFrame:
    """Find base temperature and requirement by the older rules, with a jackknife over years.

    Parameters
    ----------
    records : Records
        Trap-years, weather, links, season and biofix.
    heat : HeatSettings, optional
        Method, cut-off and upper threshold; single sine without an upper threshold by default.
    events : DataFrame, optional
        ``trap_year, flight, observed``: the date of each trap-year and flight. Without it, the date of half the
        catch (:func:`half_catch_dates`), which is for seasons of one flight.
    rules : sequence of str
        Which rules.
    base_range : tuple of float
        Where the base is looked for [degC].
    min_moths : int
        Fewest moths in a trap-year that is used, where `events` is not given.
    jackknife : bool
        Whether to compute standard errors; without them the search is several times faster.

    Returns
    -------
    DataFrame
        A row for each flight and rule, columns ``OLDER_RULE_COLUMNS``. ``base_se`` and ``requirement_se`` are
        jackknife standard errors over years (missing below three years); ``spread`` is the SD of the heat at the
        event at that base [degC d]; ``criterion`` is the value of the rule's criterion at that base. ``note`` says
        where a rule fails.

    Raises
    ------
    ModelError
        If a rule is not known or the range is empty.
    DataError
        If a flight has fewer than three dates.
    """
    for rule in rules:
        if rule not in RULES:
            raise ModelError(f"there is no rule '{rule}'; there are {', '.join(RULES)}.")
    if not base_range[0] < base_range[1]:
        raise ModelError(f"the search range of the base runs from low to high, not {base_range}.")
    dates = half_catch_dates(records.trap_years, min_moths=min_moths) if events is None else events
    if dates.empty:
        raise _too_few(0, 0)
    rows: list[dict[str, object]] = []
    for flight, part in dates.groupby("flight", sort=True):
        data = event_heat(records, part, heat=heat)
        if len(data) < _LEAST:
            raise _too_few(len(data), data.left_out)
        for rule in rules:
            rows.append({"flight": int(str(flight)), **_row(data, rule, base_range, jackknife=jackknife)})
    return pd.DataFrame(rows, columns=list(OLDER_RULE_COLUMNS))


def _too_few(found: int, lost: int) -> DataError:
    return DataError(
        Problem(
            f"{found} trap-years have a date of half the catch and a heat sum ({lost} have no heat sum); a rule "
            "needs three.",
            "Give more trap-years with whole flights, or weather for their seasons.",
        )
    )


def _row(
    data: EventHeat, rule: str, base_range: tuple[float, float], *, jackknife: bool
) -> dict[str, object]:
    answer = apply_rule(data, rule, base_range)
    base_se, requirement_se, words = _jackknife(data, rule, base_range) if jackknife else (np.nan, np.nan, "")
    notes = [answer.note, words, f"{data.left_out} dates without a heat sum" if data.left_out else ""]
    return {
        "rule": rule,
        "base": answer.base,
        "base_se": base_se,
        "base_unit": "degC",
        "requirement": answer.requirement,
        "requirement_se": requirement_se,
        "unit": "degC d",
        "spread": answer.spread,
        "criterion": answer.criterion,
        "criterion_unit": answer.criterion_unit,
        "trap_years": len(data),
        "years": len(np.unique(data.years)),
        "note": "; ".join(n for n in notes if n),
    }


def _jackknife(data: EventHeat, rule: str, base_range: tuple[float, float]) -> tuple[float, float, str]:
    years = np.unique(data.years)
    if len(years) < _LEAST:
        return np.nan, np.nan, "no standard error: fewer than three years"
    answers: list[RuleAnswer] = []
    for year in years:
        part = data.select(data.years != year)
        if len(part) < _LEAST:
            return np.nan, np.nan, f"no standard error: without {year} fewer than three dates are left"
        answers.append(apply_rule(part, rule, base_range))
    values = np.array([(a.base, a.requirement) for a in answers])
    if not np.isfinite(values).all():
        return np.nan, np.nan, "no standard error: without one of the years the rule gives no base"
    at_end = sum(a.at_end for a in answers)
    words = (
        f"without one year the base lies at the end of the range in {at_end} of {len(years)} cases"
        if at_end
        else ""
    )
    base_error, requirement_error = jackknife_errors(values)
    return float(base_error), float(requirement_error), words
