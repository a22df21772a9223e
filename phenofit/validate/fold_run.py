"""One fold of a validation: train every forecaster without the held-out part, then forecast it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from phenofit.errors import DataError, FitError, ModelError
from phenofit.forecasting.weather_years import StationSeries, station_series
from phenofit.validate.forecasters import (
    CALENDAR,
    FITTED,
    REFITTED,
    Calendar,
    Fitted,
    Forecaster,
    Published,
    Setting,
    on_terms,
    season_from,
)
from phenofit.validate.observed import Observed, observed_events
from phenofit.validate.older_forecasters import OLDER, OlderRule
from phenofit.validate.schemes import Fold, Scheme
from phenofit.validate.targets import failed_fold, forecast_fold

if TYPE_CHECKING:
    from phenofit.records import Records
    from phenofit.validate.thresholds.threshold import PublishedThreshold


@dataclass(frozen=True)
class Job:
    """One fold with all its forecasters."""

    plan: Scheme
    fold: Fold
    train: Records
    targets: pd.DataFrame
    wanted: pd.DataFrame
    observed: pd.DataFrame
    events: tuple[str, ...]
    thresholds: tuple[PublishedThreshold, ...]
    older: tuple[str, ...]
    setting: Setting
    series: Mapping[str, StationSeries]


def fold_jobs(
    records: Records,
    seen: Observed,
    folds: Sequence[Fold],
    setting: Setting,
    plan: Scheme,
    thresholds: tuple[PublishedThreshold, ...] = (),
    older: tuple[str, ...] = (),
) -> Iterable[Job]:
    """Make the work of each fold."""
    series, table = station_series(records.weather), records.trap_years.years
    events = tuple(seen.table["event"].unique())
    for fold in folds:
        wanted = seen.table[fold.test[seen.table["trap_year"].to_numpy()]]
        targets = table[table["trap_year"].isin(wanted["trap_year"])]
        observed = seen.table[fold.train[seen.table["trap_year"].to_numpy()]]
        # The trap-years that are learnt from are numbered again from 0.
        observed = observed.assign(trap_year=(np.cumsum(fold.train) - 1)[observed["trap_year"].to_numpy()])
        yield Job(
            plan,
            fold,
            records.only(fold.train),
            targets,
            wanted,
            observed,
            events,
            thresholds,
            older,
            setting,
            series,
        )


def run_fold(job: Job) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Train every forecaster on one fold and forecast it; one that cannot be trained is reported."""
    if job.wanted.empty:
        return pd.DataFrame(), [("all", "no event of the held-out part can be scored")]
    parts: list[pd.DataFrame] = []
    faults: list[tuple[str, str]] = []
    trained: dict[str, Forecaster] = {}
    wanted_names = _forecasters(job)
    for name, kind, threshold in wanted_names:
        fitted = trained.get(FITTED)
        try:
            trained[name] = _train(job, kind, threshold, fitted if isinstance(fitted, Fitted) else None)
        except (FitError, DataError, ModelError) as error:
            faults.append((name, str(error)))
            if isinstance(error, FitError):
                # A forecaster without a forecast counts as failed.
                rows = failed_fold(job.wanted, job.plan.lead_days, f"no fit: {error}")
                parts.append(rows.assign(forecaster=name))
    rows_of, lacks = forecast_fold(
        trained,
        job.targets,
        job.wanted,
        series=job.series,
        links=job.train.links,
        lead_days=job.plan.lead_days,
        scheme=job.plan.leave_out,
    )
    parts.extend(rows_of)
    merged = _merged(faults + lacks, len(wanted_names) - 1)
    if not parts:
        return pd.DataFrame(), merged
    whole = pd.concat(parts, ignore_index=True)
    return whole.assign(scheme=job.plan.leave_out, fold=job.fold.name), merged


def _merged(faults: list[tuple[str, str]], others: int) -> list[tuple[str, str]]:
    """Report once a reason that several forecasters share; `others` is the number of forecasters without the calendar."""
    names: dict[str, list[str]] = {}
    for name, reason in faults:
        names.setdefault(reason, []).append(name)
    return [
        (
            f"all but {CALENDAR}" if len(found) == others > 1 and CALENDAR not in found else ", ".join(found),
            reason,
        )
        for reason, found in names.items()
    ]


def _forecasters(job: Job) -> list[tuple[str, str, PublishedThreshold | None]]:
    """Return name, kind and threshold of each forecaster; the fitted one comes first."""
    found: list[tuple[str, str, PublishedThreshold | None]] = [
        (FITTED, "fitted", None),
        (CALENDAR, "calendar", None),
    ]
    terms: set[tuple[Any, ...]] = set()
    for threshold in job.thresholds:
        found.append((f"published:{threshold.id}", "published", threshold))
        own = (threshold.base, threshold.upper, threshold.cutoff, threshold.method, threshold.start)
        if own not in terms:
            found.append((f"{REFITTED}: {threshold.id}" if terms else REFITTED, "refitted", threshold))
            terms.add(own)
    return found + [(f"{OLDER}: {rule}", rule, None) for rule in job.older]


def _train(job: Job, kind: str, threshold: PublishedThreshold | None, fitted: Fitted | None) -> Forecaster:
    setting = job.setting
    if kind == "calendar":
        return Calendar(job.train, _training_events(job, fitted), setting)
    if kind in job.older:
        return OlderRule(job.train, _training_events(job, fitted), kind, setting)
    if threshold is None:
        return Fitted(job.train, setting)
    if kind == "published":
        return Published(threshold, setting)
    return Fitted(
        job.train,
        setting,
        season=season_from(threshold.start, setting.season, biofix=setting.starts is not None),
        model=on_terms(threshold, setting.model),
    )


def _training_events(job: Job, fitted: Fitted | None) -> pd.DataFrame:
    """Return the observed events of the training years, the flights separated by the training fit alone."""
    if job.setting.model.number == 1:
        # What was observed in a trap-year depends on no other one.
        return job.observed
    if fitted is None:
        raise ModelError("the flights cannot be separated without a fit to the training years.")
    return observed_events(
        job.train, events=job.events, min_moths=job.setting.min_moths, fit=fitted.fit
    ).table
