"""Validation on data that the forecaster has not seen: everything is refitted without the held-out part."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from phenofit.errors import DataError, FitError, ModelError
from phenofit.forecast.weather_years import StationSeries, station_series
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from phenofit.validate.forecasters import (
    CALENDAR,
    FITTED,
    REFITTED,
    Calendar,
    Fitted,
    Forecaster,
    Published,
    Setting,
    season_from,
)
from phenofit.validate.observed import Observed, observed_events
from phenofit.validate.rows import finished_table
from phenofit.validate.schemes import Fold, make_folds
from phenofit.validate.targets import forecast_fold

if TYPE_CHECKING:
    import xarray as xr

    from phenofit.flight import FlightFit
    from phenofit.traps import TrapYears
    from phenofit.validate.published import PublishedThreshold

__all__ = ["cross_validate"]

_DEFAULT_EVENTS = ("flight_5", "flight_50", "flight_95")


@dataclass(frozen=True)
class _Job:
    """One fold; of the held-out part it carries where, when and what was seen, which no forecaster is shown."""

    scheme: str
    fold: Fold
    train: TrapYears
    targets: pd.DataFrame
    wanted: pd.DataFrame
    events: tuple[str, ...]
    thresholds: tuple[PublishedThreshold, ...]
    setting: Setting
    series: Mapping[str, StationSeries]
    lead_days: tuple[int, ...]


def cross_validate(
    trap_years: TrapYears,
    weather: xr.Dataset,
    links: pd.DataFrame,
    *,
    season: Season,
    heat: HeatSettings | None = None,
    species: str = "",
    flights: int = 1,
    curve: str = "normal",
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
        As for :func:`phenofit.flight.fit_flights`.
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
    all but the first); ``calendar mean``. A held-out catch enters nothing but the observed dates, and the issue
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
    say = progress or (lambda _text: None)
    usable, failed = _usable(thresholds, setting, flights)
    names = tuple(dict.fromkeys([*events, *(t.event for t in usable)]))
    whole = _whole_fit(trap_years, setting, flights, fit)
    seen = observed_events(
        trap_years, events=names, min_moths=min_moths, fit=whole, weather=weather, links=links, season=season
    )
    if seen.table.empty:
        reasons = "; ".join(sorted(seen.left_out["reason"].unique())) or "there are no records"
        raise ModelError(f"no event can be scored ({reasons}).")
    jobs = list(
        _jobs(trap_years, seen, tuple(usable), setting, leave_out, blocks, first_years, tuple(lead_days))
    )
    results = executor.map(_run, jobs) if executor is not None else map(_run, jobs)
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


def _jobs(
    trap_years: TrapYears,
    seen: Observed,
    thresholds: tuple[PublishedThreshold, ...],
    setting: Setting,
    leave_out: str,
    blocks: int,
    first_years: int,
    lead_days: tuple[int, ...],
) -> Iterable[_Job]:
    series = station_series(setting.weather)
    table = trap_years.years
    events = tuple(seen.table["event"].unique())
    for fold in make_folds(trap_years, leave_out, blocks=blocks, first_years=first_years):
        wanted = seen.table[fold.test[seen.table["trap_year"].to_numpy()]]
        targets = table[table["trap_year"].isin(wanted["trap_year"])]
        yield _Job(
            leave_out,
            fold,
            trap_years.select(fold.train),
            targets,
            wanted,
            events,
            thresholds,
            setting,
            series,
            lead_days,
        )


def _run(job: _Job) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Train every forecaster on one fold and forecast it; one that cannot be trained is told, not hidden."""
    if job.wanted.empty:
        return pd.DataFrame(), [("all", "no event of the held-out part can be scored")]
    parts, faults = [], []
    fitted: Fitted | None = None
    for name, kind, threshold in _forecasters(job.thresholds):
        try:
            forecaster = _train(job, kind, threshold, fitted)
        except (FitError, DataError, ModelError) as error:
            faults.append((name, str(error)))
            continue
        if isinstance(forecaster, Fitted) and fitted is None:
            fitted = forecaster
        rows, fault = forecast_fold(
            forecaster,
            job.targets,
            job.wanted,
            series=job.series,
            links=job.setting.links,
            lead_days=job.lead_days,
            scheme=job.scheme,
        )
        parts.append(rows.assign(scheme=job.scheme, fold=job.fold.name, forecaster=name))
        if fault is not None:
            faults.append((name, fault))
    filled = [part for part in parts if len(part)]
    merged = _merged(faults, len(_forecasters(job.thresholds)) - 1)
    return (pd.concat(filled, ignore_index=True) if filled else pd.DataFrame()), merged


def _merged(faults: list[tuple[str, str]], others: int) -> list[tuple[str, str]]:
    """Tell a reason that several forecasters share once; `others` counts all but the calendar."""
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


def _forecasters(
    thresholds: Sequence[PublishedThreshold],
) -> list[tuple[str, str, PublishedThreshold | None]]:
    """Return name, kind and threshold of each forecaster; the fitted one comes first."""
    found: list[tuple[str, str, PublishedThreshold | None]] = [
        (FITTED, "fitted", None),
        (CALENDAR, "calendar", None),
    ]
    terms: set[tuple[Any, ...]] = set()
    for threshold in thresholds:
        found.append((f"published:{threshold.id}", "published", threshold))
        own = (threshold.base, threshold.upper, threshold.cutoff, threshold.method, threshold.start)
        if own not in terms:
            found.append((f"{REFITTED}: {threshold.id}" if terms else REFITTED, "refitted", threshold))
            terms.add(own)
    return found


def _train(job: _Job, kind: str, threshold: PublishedThreshold | None, fitted: Fitted | None) -> Forecaster:
    setting = job.setting
    if kind == "calendar":
        return Calendar(job.train, _learnt(job, fitted), setting)
    if threshold is None:
        return Fitted(job.train, setting)
    if kind == "published":
        return Published(threshold, setting)
    return Fitted(
        job.train,
        setting,
        season=season_from(threshold.start, setting),
        heat=threshold.heat_settings(setting.heat),
        base=threshold.base,
    )


def _learnt(job: _Job, fitted: Fitted | None) -> pd.DataFrame:
    """Return the observed events of the training years, the flights parted by the training fit alone."""
    setting = job.setting
    several = int(setting.fit_options["flights"]) > 1
    if several and fitted is None:
        raise ModelError("the flights cannot be parted without a fit to the training years.")
    return observed_events(
        job.train,
        events=job.events,
        min_moths=setting.min_moths,
        fit=fitted.fit if several and fitted is not None else None,
        weather=setting.weather,
        links=setting.links,
        season=setting.season,
    ).table
