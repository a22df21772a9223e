"""Validation on data that the forecaster has not seen: everything is refitted without the held-out part."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor
from typing import TYPE_CHECKING

import pandas as pd

from phenofit.errors import ModelError
from phenofit.validate.fold_run import fold_jobs, run_fold
from phenofit.validate.forecasters import Fitted, Setting, season_from
from phenofit.validate.observed import observed_events
from phenofit.validate.older_forecasters import check_rules
from phenofit.validate.rows import validation_table
from phenofit.validate.schemes import Scheme, make_folds

if TYPE_CHECKING:
    from phenofit.flight import FlightFit
    from phenofit.flight.model import FlightModel
    from phenofit.records import Records
    from phenofit.validate.thresholds.threshold import PublishedThreshold


def cross_validate(
    records: Records,
    model: FlightModel,
    scheme: Scheme | str = "year",
    *,
    thresholds: Sequence[PublishedThreshold] = (),
    older: Sequence[str] = (),
    fit: FlightFit | None = None,
    executor: Executor | None = None,
    progress: Callable[[str], None] | None = None,
) -> pd.DataFrame:
    """Forecast held-out trap-years with several forecasters and compare with what was seen.

    Parameters
    ----------
    records : Records
        All records.
    model : FlightModel
        The model, with one number of flights; a curve may be ``"choose"`` or several names, and every fold then
        chooses on its own training records.
    scheme : Scheme or str
        What is held out, which events are forecast, and when; one of :data:`phenofit.validate.SCHEMES` stands for
        that scheme with its defaults.
    thresholds : sequence of PublishedThreshold
        Published thresholds to compare with; unusable ones are left out and named in ``attrs["failed"]``.
    older : sequence of str
        Older rules for base and requirement to compare with, see
        :func:`phenofit.flight.baselines.rules.older_rules`; they forecast half of a flight only.
    fit : FlightFit, optional
        Fit to all data; separates the flights of a season (for the observed dates only). Made where needed.
    executor : concurrent.futures.Executor, optional
        Runs the folds; the result does not depend on it.
    progress : callable, optional
        Gets a sentence at each step.

    Returns
    -------
    pandas.DataFrame
        A row for each fold, forecaster and held-out event, columns ``VALIDATION_COLUMNS``. ``error_days`` is
        predicted minus observed (positive: the forecast was late); ``covered..`` says whether the observed date
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
    all but the first); ``calendar mean``; ``older rule: <name>``. A held-out catch is used only for the observed
    dates, and for the issue dates counted from them.
    """
    plan = Scheme(scheme) if isinstance(scheme, str) else scheme
    setting = Setting(model, records.season, records.starts, plan.draws, plan.seed, plan.min_moths)
    if older:
        check_rules(older)
    say = progress or (lambda _text: None)
    usable, failed = _usable(thresholds, setting)
    names = tuple(dict.fromkeys([*plan.events, *(t.event for t in usable)]))
    if model.number == 1:
        fit = None
    elif fit is None:
        fit = Fitted(records, setting).fit
    seen = observed_events(records, events=names, min_moths=plan.min_moths, fit=fit)
    if seen.table.empty:
        reasons = "; ".join(sorted(seen.left_out["reason"].unique())) or "there are no records"
        raise ModelError(f"no event can be scored ({reasons}).")
    folds = make_folds(records.trap_years, plan.leave_out, blocks=plan.blocks, first_years=plan.first_years)
    jobs = list(fold_jobs(records, seen, folds, setting, plan, tuple(usable), tuple(older)))
    results = executor.map(run_fold, jobs) if executor is not None else map(run_fold, jobs)
    parts: list[pd.DataFrame] = []
    for job, (rows, faults) in zip(jobs, results, strict=True):
        say(f"{job.fold.name} held out and forecast ({len(parts) + 1} of {len(jobs)})")
        parts.append(rows)
        failed.extend((name, job.fold.name, reason) for name, reason in faults)
    table = validation_table(parts, records.trap_years, records.species)
    table.attrs["left_out"] = [tuple(row) for row in seen.left_out.itertuples(index=False)]
    table.attrs["failed"] = failed
    return table


def _usable(
    thresholds: Iterable[PublishedThreshold], setting: Setting
) -> tuple[list[PublishedThreshold], list[tuple[str, str, str]]]:
    """Return the thresholds that can forecast here, and why the others cannot."""
    usable, failed, flights = [], [], setting.model.number
    for threshold in thresholds:
        reason = threshold.unusable
        if reason is None and threshold.flight > flights:
            reason = f"it is about flight {threshold.flight}, the season has {flights}"
        if reason is None:
            try:
                season_from(threshold.start, setting.season, biofix=setting.starts is not None)
            except ModelError as error:
                reason = str(error)
        if reason is None:
            usable.append(threshold)
        else:
            failed.append((f"published:{threshold.id}", "all", reason))
    return usable, failed
