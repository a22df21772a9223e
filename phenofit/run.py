"""A whole study from its file: read, fit, compare, validate, forecast, map, write."""

from __future__ import annotations

import os
import warnings
from collections.abc import Mapping
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from phenofit.analysis.filling_estimate import filling_sentence
from phenofit.analysis.outputs import RUN_FILES, write_tables
from phenofit.analysis.results import SpeciesResult, StudyResult
from phenofit.analysis.species_work import SpeciesWork
from phenofit.analysis.thresholds_table import thresholds_table
from phenofit.cluster import threads_or_cluster
from phenofit.errors import DataError, MissingExtraError, ModelError, PhenofitWarning, Problem
from phenofit.field import write_field_page
from phenofit.files import read_json, versions
from phenofit.flight.fitted_likelihood import records_of_fit
from phenofit.forecasting import forecast
from phenofit.forecasting.forecast_places import season_places
from phenofit.forecasting.stage_windows import lags_of, season_stages
from phenofit.heat.compiled.threads import processors
from phenofit.maps import ErrorChoice, MapArea, MapSettings, error_map
from phenofit.maps.map_files import read_elevation
from phenofit.output_folder import run_folder, run_id
from phenofit.progress import Progress
from phenofit.report import render_report
from phenofit.study import Study, StudyInputs, load_study, read_inputs
from phenofit.validate import VALIDATION_COLUMNS, score_forecasts

if TYPE_CHECKING:
    import xarray as xr

    from phenofit.flight import FlightFit
    from phenofit.forecasting.stage_windows import StageWindow
    from phenofit.validate import PublishedComparison


def run_study(
    path: str | os.PathLike[str],
    *,
    out: str | os.PathLike[str],
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> StudyResult:
    """Run a study from its file and write all its results.

    Parameters
    ----------
    path : path-like
        Study file (TOML).
    out : path-like
        Folder for ``report.html``, ``field.html``, ``flights.csv``, ``fit-SPECIES.json``, ``thresholds.csv``, ``validation.csv``,
        ``scores.csv``, ``error_map.nc``, ``figures/`` and ``run.json``. Nothing in it changes until the run has ended.
    workers : int, optional
        Threads that share the fits; by default as many as there are processors. The results do not depend on it.
    scheduler : str, optional
        Address of the scheduler of a dask cluster, which then fits the held-out folds of every species and tests the
        published thresholds. The results do not depend on it.
    progress : callable, optional
        Gets a sentence at each step.

    Returns
    -------
    StudyResult
        All that was written, as objects.

    Raises
    ------
    DataError
        If the study file or a table is wrong; carries every problem.
        Also if `out` cannot be written, or another run is writing into it; both are noticed before anything is read.
    FitError, ModelError
        If a flight cannot be fitted; if no scheduler answers, or both `workers` and `scheduler` are given.
    FetchError
        If station series have to be fetched and cannot be.

    Notes
    -----
    What needs more than the inputs give (a validation without a second year, a map without enough sites or without
    the extra ``maps``) is left out, and the notes of the species say so.
    """
    say = progress or (lambda _text: None)
    with run_folder(Path(out), "run", files=RUN_FILES) as folder:
        result = compute_study(path, workers=workers, scheduler=scheduler, progress=say)
        folder.run = str(result.provenance["run"])
        say("writing the tables")
        write_tables(result, folder.staging, run=folder.run)
        say("drawing the page")
        render_report(result, folder.staging)
        _write_field_page(result, folder.staging / "field.html", folder.run, say)
    if folder.removed:
        say(f"removed, from an earlier run: {', '.join(folder.removed)}")
    return result


def _write_field_page(result: StudyResult, path: Path, run: str, say: Progress) -> None:
    """Write the field page of the species that have a season forecast; without one there is no such page."""
    species = [one for one in result.species if one.forecast is not None and not one.fit.settings.biofix]
    issued = [one.forecast["issued"].iloc[0] for one in species if one.forecast is not None]
    if not issued:
        return
    say("writing the field page")
    try:
        write_field_page(
            path,
            [(one.fit, one.records, one.validation) for one in species],
            today=str(issued[0])[:10],
            title=result.study.title,
            invented=result.study.invented,
            run=run,
            seed=result.study.head.seed,
            stages=result.inputs.stages,
        )
    except (ModelError, DataError) as error:
        warnings.warn(f"there is no field page: {error}", PhenofitWarning, stacklevel=2)


def compute_study(
    path: str | os.PathLike[str],
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> StudyResult:
    """Read everything that a study needs, then compute everything that it asks for; write nothing."""
    say = progress or (lambda _text: None)
    if scheduler is not None and workers is not None:
        raise ModelError("give workers or scheduler: a cluster has its own workers.")
    # The compiled likelihood releases the interpreter's lock, so threads suffice; nothing is copied.
    with threads_or_cluster(scheduler, workers or processors()) as executor:
        study = load_study(path)
        inputs = read_inputs(study, progress=say)
        truth = _truth(study)
        elevation = None if study.map.elevation is None else read_elevation(study.map.elevation)
        works = [SpeciesWork.of(study, inputs, name) for name in study.species]
        inputs.weather.load()  # threads share it, so it is loaded whole, not read lazily from a file
        with ThreadPoolExecutor(len(study.species)) as heads:
            tasks = [_Task(work, executor, _named(say, work.species, study), elevation) for work in works]
            species = tuple(heads.map(_Task.result, tasks))
    return StudyResult(
        study=study,
        inputs=inputs,
        species=species,
        truth=truth,
        provenance=_provenance(study, inputs),
        filling=filling_sentence(study, inputs, species),
    )


@dataclass(frozen=True)
class _Task:
    """One species of a study, with what its result needs."""

    work: SpeciesWork
    executor: Executor
    say: Progress
    elevation: xr.DataArray | None = None

    def result(self) -> SpeciesResult:
        """Do everything for the species, in the order in which one thing needs another."""
        work = self.work
        self.say("fitting the flights")
        fit = work.fit(profiles=True, progress=self.say)
        return replace(self, work=work.settled(fit))._with(fit)

    def _with(self, fit: FlightFit) -> SpeciesResult:
        """Do everything that needs the fit."""
        work, seed = self.work, self.work.study.head.seed
        notes: list[str] = []
        self.say("forecasting held-out trap-years")
        validation = self._validate(fit, notes)
        self.say("testing published thresholds")
        comparisons = self._compare(fit, validation)
        verdicts = {c.threshold.id: c.verdict for c in comparisons}
        self.say("looking at residuals and older rules")
        checks = work.check(fit)
        return SpeciesResult(
            species=work.species,
            fit=fit,
            records=work.records,
            thresholds=thresholds_table(work.species, fit, work.published, verdicts=verdicts),
            comparisons=comparisons,
            validation=validation,
            scores=_scores(validation, seed),
            forecast=(season := self._forecast(fit, notes)),
            stages=() if season is None else self._stages(fit),
            error_map=self._map(validation, notes),
            notes=(*notes, *checks.notes),
            checks=checks,
        )

    def _validate(self, fit: FlightFit, notes: list[str]) -> pd.DataFrame:
        tables = []
        for scheme in self.work.study.validation.leave_out:
            try:
                table = self.work.validate(scheme, fit=fit, executor=self.executor, progress=self.say)
            except ModelError as error:
                notes.append(f"No validation by leaving out a {scheme}: {error}")
                continue
            notes += [_failure(*row) for row in table.attrs["failed"]]
            tables.append(table)
        if not tables:
            return pd.DataFrame(columns=list(VALIDATION_COLUMNS))
        return tables[0] if len(tables) == 1 else pd.concat(tables, ignore_index=True)

    def _compare(self, fit: FlightFit, validation: pd.DataFrame) -> tuple[PublishedComparison, ...]:
        given = validation if len(validation) else None
        test = partial(self.work.compare, validation=given, level=fit.settings.level)
        return tuple(self.executor.map(test, self.work.published))

    def _stages(self, fit: FlightFit) -> tuple[StageWindow, ...]:
        """Date the stages after each flight at every place."""
        lags = lags_of(self.work.inputs.stages, self.work.species)
        if not lags:
            return ()
        records = records_of_fit(fit, self.work.records)
        places, _ = season_places(records, issued=self.work.day_of_issue)
        return season_stages(fit, places, lags, seed=self.work.study.head.seed, traps=records.traps)

    def _forecast(self, fit: FlightFit, notes: list[str]) -> pd.DataFrame | None:
        records, today = self.work.records, self.work.day_of_issue
        self.say(f"forecasting the season as of {today}")
        try:
            return forecast(fit, records, today=today, seed=self.work.study.head.seed).table()
        except (ModelError, DataError) as error:
            notes.append(f"No forecast of the season: {error}")
            self.say(notes[-1])
            return None

    def _map(self, validation: pd.DataFrame, notes: list[str]) -> xr.Dataset | None:
        if validation.empty:
            return None
        self.say("mapping the forecast error")
        study = self.work.study
        try:
            return error_map(
                validation,
                ErrorChoice(species=self.work.species, scheme=str(validation["scheme"].iloc[0])),
                area=MapArea(study.map.cell_km, study.map.margin_km),
                settings=MapSettings(study.map.drift),
                elevation=self.elevation,
                invented=study.invented,
            )
        except (MissingExtraError, ModelError, DataError) as error:
            notes.append(f"No map of the forecast error: {error}")
            self.say(notes[-1])
            return None


def _named(say: Progress, species: str, study: Study) -> Progress:
    return (lambda text: say(f"{species}: {text}")) if len(study.species) > 1 else say


def _failure(name: str, fold: str, reason: str) -> str:
    """Return the sentence that a forecast of held-out records could not be made."""
    who = f"The forecaster '{name}' could not forecast"
    if name.startswith("all"):
        who = f"No forecaster{name.removeprefix('all')} could forecast"
    return f"{who} {'any held-out part' if fold == 'all' else f'all of {fold}'}: {reason.rstrip('.')}."


def _scores(validation: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Score the validation; its schemes stay in the order in which the study names them."""
    if validation.empty:
        return pd.DataFrame()
    order = list(dict.fromkeys(validation["scheme"]))
    found = score_forecasts(validation, seed=seed)
    return found.sort_values(
        "scheme", key=lambda names: names.map(order.index), kind="stable", ignore_index=True
    )


def _truth(study: Study) -> dict[str, object] | None:
    """Read the true values behind invented data."""
    if study.head.truth is None:
        return None
    found = read_json(study.head.truth, remedy="Write the true values as JSON.")
    if not isinstance(found, dict):
        remedy = "Write the true values as names and numbers."
        raise DataError(Problem("the true values are no JSON object.", remedy, study.shown(study.head.truth)))
    return found


def _provenance(study: Study, inputs: StudyInputs) -> Mapping[str, Any]:
    return {
        "run": run_id("run", inputs=inputs.hashes),
        "versions": versions(),
        "inputs": dict(inputs.hashes),
        "weather": {str(k): str(v) for k, v in inputs.weather.attrs.items()},
        "seed": study.head.seed,
    }
