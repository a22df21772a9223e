"""The start date of the heat sums, estimated: a profile of the likelihood over month-days, on the same records."""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from phenofit.errors import DataError, FitError, ModelError
from phenofit.flight.fitting import fit_data
from phenofit.flight.likelihood.flight_data import FlightData, assemble
from phenofit.flight.likelihood.subset import subset
from phenofit.flight.model import FitSettings, FlightModel
from phenofit.flight.result_text import fixed, html_frame, html_list
from phenofit.flight.selection.flight_count import fit_flights
from phenofit.seasons import MonthDay, Season

if TYPE_CHECKING:
    from phenofit.records import Records
    from phenofit.traps import TrapYears

START_COLUMNS = (
    "start", "log_likelihood", "deviance", "inside", "base", "requirement_1", "converged", "moths_before", "note",
)  # fmt: skip
_MOST_BEFORE = 0.05  # with a larger share of the moths caught before a start, the start is not fitted


@dataclass(frozen=True)
class StartProfile:
    """How well each start date describes the catches.

    Attributes
    ----------
    table : DataFrame
        ``START_COLUMNS``, a row for each start in the order of the season, with the requirements of further flights:
        ``deviance`` is twice the drop of the log-likelihood below the best, ``inside`` whether it is within the cut,
        ``base`` [degC], requirements [degC d] since that start, ``moths_before`` the moths caught before it. Units
        are in ``attrs["units"]``.
    best : str
        Month-day of the highest likelihood.
    level : float
        Confidence level of the cut, chi-squared with one degree of freedom.
    trap_years, left_out : int
        Trap-years used in every row, and those that some start could not use.
    problems : tuple of str
        Reasons not to take a start from it.
    settings : FitSettings
        The model, with the start that was asked.
    """

    table: pd.DataFrame
    best: str
    level: float
    trap_years: int
    left_out: int
    problems: tuple[str, ...]
    settings: FitSettings

    @property
    def inside(self) -> tuple[str, ...]:
        """Starts that the likelihood does not exclude at the level; a rough set, see :func:`profile_start`."""
        return tuple(self.table.loc[self.table["inside"], "start"])

    def summary(self) -> str:
        """Return the profile as text."""
        s = self.settings
        head = f"{s.species or 'Flight'}: start of the heat sums, {self.trap_years} trap-years"
        lines = [
            f"{head}, {s.curve} curve, {s.heat.describe()}",
            f"best {self.best}; within the {100 * self.level:g} % cut (rough): {', '.join(self.inside)}",
            "",
            f"{'start':<7}{'log-likelihood':>15}{'deviance':>10}{'base':>7}{'requirement':>13}  note",
        ]
        for r in self.table.to_dict("records"):
            lines.append(
                f"{r['start']:<7}{fixed(r['log_likelihood'], 2):>15}{fixed(r['deviance'], 2):>10}"
                f"{fixed(r['base'], 1):>7}{fixed(r['requirement_1'], 0):>13}  {r['note']}"
            )
        lines.append("base in degC, requirement in degC d since that start")
        if self.left_out:
            lines.append(f"{self.left_out} trap-years left out: not every start has temperatures for them")
        lines.extend(f"! {text}" for text in self.problems)
        return "\n".join(lines)

    __str__ = __repr__ = summary

    def _repr_html_(self) -> str:
        return (
            f"<div>{html_frame(self.table)}<p>base in degC, requirement in degC d since that "
            f"start; best {html.escape(self.best)}</p>{html_list(self.problems)}</div>"
        )


_Refit = tuple[dict[str, float], float, bool, str]  # Parameters, log-likelihood, convergence, why it failed.


def profile_start(
    records: Records,
    model: FlightModel,
    *,
    starts: Sequence[str] = ("01-01", "02-01", "03-01", "04-01"),
    executor: Executor | None = None,
    progress: Callable[[str], None] | None = None,
) -> StartProfile:
    """Refit with each of several start dates, on the same records, and compare their likelihoods.

    Parameters
    ----------
    records : Records
        Trap-years, weather, links and season, without a biofix. The season's own start is among those compared.
    model : FlightModel
        The model; its level is that of the set of starts that are not excluded.
    starts : sequence of str
        Month-days before the season's end.
    executor : concurrent.futures.Executor, optional
        Runs the fits; the result does not depend on it.
    progress : callable, optional
        Gets a sentence at each step.

    Returns
    -------
    StartProfile

    Raises
    ------
    ModelError
        If fewer than two starts are given, or one lies where the season's year has not begun.
    DataError
        If no trap-year has temperatures from every start on.
    FitError
        If no start could be fitted.

    Notes
    -----
    The cut is that of chi-squared with one degree of freedom. It is rough: start dates come in steps, heat in winter
    moves little when they do, and where the requirement absorbs the heat that another start adds, the profile is
    not smooth. Moths caught before a start can only be strays; a start is not fitted where they are more than one
    in twenty. The share of time that strays are spread over is that of the earliest start for all.
    """
    if records.starts is not None:
        raise ModelError("a fit that counts from a biofix has no start date to be profiled.")
    season, level = records.season, model.level
    days = _in_order(starts, season)
    settings = fit_flights(records, model, profiles=False, precise=False).settings
    seasons = [Season(day, season.end) for day in days]
    data, left_out = _same_records(
        [
            assemble(replace(records, season=s), kind=settings.records, night=settings.night_weather)
            for s in seasons
        ]
    )
    before = [_moths_before(records.trap_years, data[0], s) for s in seasons]
    total = int(data[0].totals.sum())
    fitted = [k for k, number in enumerate(before) if number <= _MOST_BEFORE * total]
    jobs = [(data[k], replace(settings, season=seasons[k])) for k in fitted]
    say = progress or (lambda _text: None)
    found: dict[int, _Refit] = {}
    results = executor.map(_refit, jobs) if executor is not None else map(_refit, jobs)
    for k, result in zip(fitted, results, strict=True):
        found[k] = result
        say(f"fitted with the start {days[k]} ({len(found)} of {len(fitted)})")
    table = _table(days, before, total, found, settings, level)
    kept = table.dropna(subset=["log_likelihood"])
    if kept.empty:
        raise FitError("no start date could be fitted: " + "; ".join(table["start"] + ": " + table["note"]))
    best = str(kept["start"].iloc[int(kept["deviance"].argmin())])
    return StartProfile(
        table,
        best,
        level,
        data[0].trap_years,
        left_out,
        _problems(table, best),
        replace(settings, season=season),
    )


def _in_order(starts: Sequence[str], season: Season) -> list[MonthDay]:
    wanted = {MonthDay.parse(text) for text in starts} | {season.start}
    for day in wanted:
        if season.crosses_new_year and day <= season.end:
            raise ModelError(
                f"the start {day} lies after New Year in a season that runs from {season.start} to {season.end}; "
                f"name starts after {season.end} only."
            )
        if not season.crosses_new_year and day >= season.end:
            raise ModelError(f"the start {day} does not lie before the end of the season, {season.end}.")
    if len(wanted) < 2:
        raise ModelError("a profile of the start needs two different month-days or more.")
    return sorted(wanted)


def _same_records(found: list[FlightData]) -> tuple[list[FlightData], int]:
    """Keep the trap-years that every start has with the same counts, and one share of time for strays."""
    keys = []
    for data in found:
        lost: dict[tuple[str, str], int] = {}
        for row in data.left_out.to_dict("records"):
            pair = (str(row["trap"]), str(row["season"]))
            lost[pair] = lost.get(pair, 0) + int(row["rows"])
        table = data.table[["trap", "season", "total"]].astype(str)
        keys.append(
            [(*row, lost.get((row[0], row[1]), 0)) for row in table.itertuples(index=False, name=None)]
        )
    common = set(keys[0]).intersection(*keys[1:])
    if not common:
        raise DataError(
            "no trap-year has temperatures from every start on; give fewer starts, or fill the gaps."
        )
    kept = [
        subset(data, np.array([k in common for k in key], dtype=bool))
        for data, key in zip(found, keys, strict=True)
    ]
    everything = set().union(*[{k[:2] for k in key} for key in keys])
    shares = kept[0].catch_share
    return [replace(data, catch_share=shares) for data in kept], len(everything) - kept[0].trap_years


def _moths_before(trap_years: TrapYears, data: FlightData, season: Season) -> int:
    """Count the moths of the records used that were caught before the season's start."""
    table = trap_years.intervals
    used = set(zip(data.table["trap"].astype(str), data.table["season"].astype(str), strict=True))
    keep = [pair in used for pair in zip(table["trap"].astype(str), table["season"].astype(str), strict=True)]
    part = table[np.array(keep, dtype=bool) & (table["status"] == "counted").to_numpy()]
    first = np.array([season.first_day(int(y)) for y in part["year"]], dtype="datetime64[ns]")
    return int(part["count"].to_numpy()[part["end"].to_numpy().astype("datetime64[ns]") <= first].sum())


def _refit(job: tuple[FlightData, FitSettings]) -> _Refit:
    try:
        found = fit_data(*job, profiles=False)
    except FitError as error:
        return {}, math.nan, False, str(error)
    return found.parameters, found.log_likelihood, found.converged, ""


def _table(
    days: list[MonthDay],
    before: list[int],
    total: int,
    found: dict[int, _Refit],
    settings: FitSettings,
    level: float,
) -> pd.DataFrame:
    from scipy.stats import chi2

    requirements = [f"requirement_{g + 1}" for g in range(settings.flights)]
    rows = []
    for k, day in enumerate(days):
        values, height, converged, note = found.get(k, ({}, math.nan, False, ""))
        if k not in found:
            note = f"not fitted: {before[k]} of {total} moths were caught before it"
        elif before[k]:
            note = f"{before[k]} moths were caught before it, and can only be strays"
        elif not converged and not note:
            note = "the search did not converge"
        row = {"start": str(day), "log_likelihood": height, "base": values.get("base", math.nan)}
        row |= {name: values.get(name, math.nan) for name in requirements}
        rows.append(row | {"converged": converged, "moths_before": before[k], "note": note})
    table = pd.DataFrame(rows)
    table["deviance"] = 2.0 * (table["log_likelihood"].max() - table["log_likelihood"])
    table["inside"] = table["deviance"] <= chi2.ppf(level, 1)
    columns = list(START_COLUMNS)
    place = columns.index("requirement_1")
    table = table[[*columns[:place], *requirements, *columns[place + 1 :]]]
    table.attrs["units"] = {"base": "degC", **dict.fromkeys(requirements, "degC d")}
    return table


def _problems(table: pd.DataFrame, best: str) -> tuple[str, ...]:
    kept = table.dropna(subset=["log_likelihood"])
    said = []
    if len(kept) < 2:
        said.append("One start only could be fitted: nothing is compared.")
    elif kept["inside"].all():
        said.append(
            f"These records do not determine the start date: every start from {kept['start'].iloc[0]} to "
            f"{kept['start'].iloc[-1]} stays within the cut. Take the one in use where you work, and read base and "
            "requirement with it."
        )
    else:
        edge = {kept["start"].iloc[0]: "first", kept["start"].iloc[-1]: "last"}.get(best)
        if edge is not None:
            side = "earlier" if edge == "first" else "later"
            said.append(
                f"The best start is the {edge} one tried; look at {side} ones too, where that makes sense."
            )
    apart = kept.loc[~kept["converged"], "start"]
    if len(apart):
        said.append(f"The search did not converge with the start {', '.join(apart)}.")
    return tuple(said)
