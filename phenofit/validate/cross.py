"""Validation on data that the forecaster has not seen: everything is refitted without the held-out part."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from phenofit.errors import ModelError
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from phenofit.validate.fold_run import fold_jobs, run_fold
from phenofit.validate.forecasters import Fitted, Setting, season_from
from phenofit.validate.observed import observed_events
from phenofit.validate.older_forecasters import check_rules
from phenofit.validate.rows import finished_table
from phenofit.validate.schemes import make_folds

if TYPE_CHECKING:
    import xarray as xr

    from phenofit.flight import FlightFit
    from phenofit.traps import TrapYears
    from phenofit.validate.thresholds.published_table import PublishedThreshold

__all__ = ["cross_validate"]

_DEFAULT_EVENTS = ("flight_5", "flight_50", "flight_95")


def cross_validate(
    trap_years: TrapYears,
    weather: xr.Dataset,
    links: pd.DataFrame,
    *,
    season: Season,
    heat: HeatSettings | None = None,
    species: str = "",
    flights: int = 1,
    curve: str | Sequence[str] = "normal",
    base: str | float = "fit",
    thresholds: Sequence[PublishedThreshold] = (),
    leave_out: str = "year",
    events: Sequence[str] = _DEFAULT_EVENTS,
    lead_days: Sequence[int] = (),
    min_moths: int = 5,
    fit: FlightFit | None = None,
    starts: Mapping[tuple[str, int], np.datetime64] | None = None,
    fit_options: Mapping[str, Any] | None = None,
    blocks: int = 4,
    first_years: int = 3,
    draws: int = 400,
    seed: int = 1,
    older: Sequence[str] = (),
    executor: Executor | None = None,
    progress: Callable[[str], None] | None = None,
) -> pd.DataFrame:
    """Forecast held-out trap-years with several forecasters and compare with what was seen.

    Parameters
    ----------
    trap_years : TrapYears
        All records.
    weather : xarray.Dataset
        Daily `tmin` and `tmax` [degC] on (station, time).
    links : pandas.DataFrame
        ``trap, station``.
    season : Season
        Where heat sums begin and end.
    heat : HeatSettings, optional
        Method, cut-off and upper threshold; single sine by default.
    species, flights, curve, base
        As for :func:`phenofit.flight.fit_flights`; a curve may be ``"choose"`` or several names, and every fold then
        chooses on its own training records (:func:`phenofit.flight.choose_curve`).
    thresholds : sequence of PublishedThreshold
        Published thresholds to stand beside the fit; unusable ones are passed over.
    leave_out : str
        One of :data:`phenofit.validate.SCHEMES`.
    events : sequence of str
        Events to forecast; those of the thresholds are added.
    lead_days : sequence of int
        Also forecast as of so many days before the event, with past years as the weather to come [d].
    min_moths : int
        Fewest moths of a flight in a trap-year that is scored.
    fit : FlightFit, optional
        Fit to all data; parts the flights of a season (for the observed dates only). Made where needed.
    starts : mapping, optional
        Biofix of each (site, year).
    fit_options : mapping, optional
        Further options of `fit_flights`.
    blocks, first_years : int
        See :func:`phenofit.validate.make_folds`.
    draws, seed : int
        Draws behind each forecast and their seed.
    older : sequence of str
        Older rules for base and requirement to stand beside the fit, see
        :func:`phenofit.flight.baselines.rules.older_rules`; they forecast half of a flight only.
    executor : concurrent.futures.Executor, optional
        Runs the folds; the result does not depend on it.
    progress : callable, optional
        Told in words how far it is.

    Returns
    -------
    pandas.DataFrame
        A row for each fold, forecaster and held-out event, columns ``VALIDATION_COLUMNS``. ``error_days`` is
        predicted minus observed (positive: the forecast was late); ``covered..`` tells whether the observed date
        lies in the interval. ``attrs["left_out"]`` lists (trap, season, flight, event, reason) of events that
        could not be scored, ``attrs["failed"]`` (forecaster, fold, reason) of forecasts that could not be made.

    Raises
    ------
    ModelError
        If the scheme or an event is unknown, or nothing could be scored.

    Notes
    -----
    Forecasters: ``fitted``; ``published:<id>`` on its own terms; ``published base, refitted`` (base, method and
    start of the published row held, requirement refitted; with several published terms ``: <id>`` is added to
    all but the first); ``calendar mean``; ``older rule: <name>``. A held-out catch enters nothing but the observed dates, and the issue
    dates reckoned from them.
    """
    setting = Setting(
        weather,
        links,
        season,
        heat or HeatSettings(),
        {"species": species, "flights": flights, "curve": curve, "base": base, **dict(fit_options or {})},
        starts,
        draws,
        seed,
        min_moths,
    )
    if older:
        check_rules(older)
    say = progress or (lambda _text: None)
    usable, failed = _usable(thresholds, setting, flights)
    names = tuple(dict.fromkeys([*events, *(t.event for t in usable)]))
    whole = _whole_fit(trap_years, setting, flights, fit)
    seen = observed_events(
        trap_years,
        events=names,
        min_moths=min_moths,
        fit=whole,
        weather=weather,
        links=links,
        season=season,
        starts=starts,
    )
    if seen.table.empty:
        reasons = "; ".join(sorted(seen.left_out["reason"].unique())) or "there are no records"
        raise ModelError(f"no event can be scored ({reasons}).")
    folds = make_folds(trap_years, leave_out, blocks=blocks, first_years=first_years)
    jobs = list(
        fold_jobs(trap_years, seen, folds, setting, leave_out, tuple(usable), tuple(older), tuple(lead_days))
    )
    results = executor.map(run_fold, jobs) if executor is not None else map(run_fold, jobs)
    parts: list[pd.DataFrame] = []
    for job, (rows, faults) in zip(jobs, results, strict=True):
        say(f"{job.fold.name} held out and forecast ({len(parts) + 1} of {len(jobs)})")
        parts.append(rows)
        failed.extend((name, job.fold.name, reason) for name, reason in faults)
    table = finished_table(parts, trap_years, species)
    table.attrs["left_out"] = [tuple(row) for row in seen.left_out.itertuples(index=False)]
    table.attrs["failed"] = failed
    return table


def _usable(
    thresholds: Iterable[PublishedThreshold], setting: Setting, flights: int
) -> tuple[list[PublishedThreshold], list[tuple[str, str, str]]]:
    """Return the thresholds that can forecast here, and why the others cannot."""
    usable, failed = [], []
    for threshold in thresholds:
        reason = threshold.unusable
        if reason is None and threshold.flight > flights:
            reason = f"it is about flight {threshold.flight}, the season has {flights}"
        if reason is None:
            try:
                season_from(threshold.start, setting)
            except ModelError as error:
                reason = str(error)
        if reason is None:
            usable.append(threshold)
        else:
            failed.append((f"published:{threshold.id}", "all", reason))
    return usable, failed


def _whole_fit(
    trap_years: TrapYears, setting: Setting, flights: int, fit: FlightFit | None
) -> FlightFit | None:
    if flights == 1:
        return None
    return fit if fit is not None else Fitted(trap_years, setting).fit
