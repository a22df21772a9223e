"""Read everything that a study names, and collect what is wrong in all of it."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.errors import DataError, ModelError, PhenofitError, Problem
from phenofit.files import file_hash
from phenofit.forecasting.stage_windows import StageLag
from phenofit.heat.settings import HeatSettings
from phenofit.progress import Progress
from phenofit.records import Records
from phenofit.seasons import Season
from phenofit.study.comparing import compare_tables
from phenofit.study.record_sections import DARWIN_CORE
from phenofit.study.station_weather import plain_columns, read_study_weather, stations_only
from phenofit.study.study_file import Study
from phenofit.traps import TrapYears, build_trap_years, catches_of_species, read_biofix
from phenofit.traps.biofix import biofix_starts
from phenofit.traps.catch_table import examine_catches
from phenofit.traps.darwin_core import read_darwin_core
from phenofit.traps.forms import Selection, select_catches
from phenofit.traps.trap_table import examine_traps
from phenofit.traps.years import trap_places

_T = TypeVar("_T")
_SETTING = re.compile(r"\b([Ss])et (dates|duplicates)\b")


@dataclass(frozen=True)
class StudyInputs:
    """Everything that a study reads.

    Attributes
    ----------
    study : Study
        The study that names the inputs.
    traps : pandas.DataFrame
        Trap table.
    catches : pandas.DataFrame
        Catch table, all species.
    weather : xarray.Dataset
        Daily station weather [degC].
    links : pandas.DataFrame
        Station of each trap; with ``pool = "site"`` also of each site.
    season : Season
        When traps are read.
    heat : HeatSettings
        How degree-days are summed.
    biofix : pandas.DataFrame or None
        Start of the heat sum by site and season, where the study has one.
    notes : tuple of str
        What was skipped, filled or set aside while reading, one sentence each.
    hashes : dict
        File name as in the study to its SHA-256.
    stages : tuple of StageLag
        Stages after the flight, of all species.
    """

    study: Study
    traps: pd.DataFrame
    catches: pd.DataFrame
    weather: xr.Dataset
    links: pd.DataFrame
    season: Season
    heat: HeatSettings
    biofix: pd.DataFrame | None = None
    notes: tuple[str, ...] = ()
    hashes: Mapping[str, str] = field(default_factory=dict)
    stages: tuple[StageLag, ...] = ()

    @property
    def starts(self) -> dict[tuple[str, int], np.datetime64] | None:
        """Biofix of each (site, season year), or None where sums begin on the season's first day."""
        return None if self.biofix is None else biofix_starts(self.biofix)

    def records(self, species: str) -> Records:
        """Return the records of one species: trap-years, weather, links, season and biofix.

        Parameters
        ----------
        species : str
            One of the study's.

        Returns
        -------
        Records

        Raises
        ------
        DataError
            If nothing usable remains.
        ModelError
            If the study has no such species.
        """
        try:
            trap_years = species_trap_years(self.study, self.traps, self.catches, species)
        except DataError as fault:
            if len(self.study.species) == 1:
                raise
            named = [replace(p, finding=f"{species}: {p.finding}") for p in fault.problems]
            raise DataError(named) from None
        name = self.study.species_name(species)
        return Records(trap_years, self.weather, self.links, self.season, self.starts, name, self.traps)


def species_catches(
    study: Study, catches: pd.DataFrame, species: str
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the catches of one species of a study, and notes on its checks that list other species only."""
    name = study.species_name(species)
    return catches_of_species(catches, name, unlisted=study.catches.unlisted_species)


def species_trap_years(study: Study, traps: pd.DataFrame, catches: pd.DataFrame, species: str) -> TrapYears:
    """Cut the catches of one species of a study into trap-years."""
    own, notes = species_catches(study, catches, species)
    found = build_trap_years(
        traps,
        own,
        study.season_window(),
        first_interval_days=study.catches.first_interval_days,
        longest_interval_days=study.catches.longest_interval_days,
        pool=study.catches.pool,
    )
    return replace(found, notes=(*notes, *found.notes))


@dataclass
class Gathered:
    """What could be read so far, and what is wrong."""

    traps: pd.DataFrame | None = None
    catches: pd.DataFrame | None = None
    weather: xr.Dataset | None = None
    links: pd.DataFrame | None = None
    biofix: pd.DataFrame | None = None
    stages: tuple[StageLag, ...] = ()
    notes: list[str] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


def read_inputs(study: Study, *, today: str | None = None, progress: Progress | None = None) -> StudyInputs:
    """Read the tables and the weather of a study.

    Parameters
    ----------
    study : Study
        From :func:`phenofit.study.load_study`.
    today : str, optional
        Run date ``year-month-day`` for the station service; days after it are no observations. Without it the
        study's own, or the clock's.
    progress : callable, optional
        Gets a sentence at each step.

    Returns
    -------
    StudyInputs

    Raises
    ------
    DataError
        With every problem of every table.
    FetchError
        If the station service is asked and gives nothing.
    """
    found = gather(study, today=today, progress=progress)
    if found.problems:
        raise DataError(found.problems)
    assert found.traps is not None
    assert found.catches is not None
    assert found.weather is not None
    assert found.links is not None
    return StudyInputs(
        study=study,
        traps=found.traps,
        catches=found.catches,
        weather=found.weather,
        links=found.links,
        season=study.season_window(),
        heat=study.heat_settings(),
        biofix=found.biofix,
        notes=tuple(found.notes),
        hashes=_hashes(study, found.weather),
        stages=found.stages,
    )


def read_records(
    study: Study | str | os.PathLike[str], *, today: str | None = None, progress: Progress | None = None
) -> dict[str, Records]:
    """Read the records of every species of a study.

    Parameters
    ----------
    study : Study or path-like
        The study, or its file.
    today : str, optional
        Run date ``year-month-day`` for the station service.
    progress : callable, optional
        Gets a sentence at each step.

    Returns
    -------
    dict of str to Records
        By the name of the species in the study.

    Raises
    ------
    DataError
        With every problem of the study file and of every table.
    FetchError
        If the station service is asked and gives nothing.
    """
    from phenofit.study.load import load_study

    asked = study if isinstance(study, Study) else load_study(study)
    inputs = read_inputs(asked, today=today, progress=progress)
    return {species: inputs.records(species) for species in asked.species}


def gather(
    study: Study, *, today: str | None = None, progress: Progress | None = None, fetch: bool = True
) -> Gathered:
    """Read what can be read and collect every problem."""
    say = progress or (lambda _: None)
    found = Gathered()
    say("reading the trap table")
    found.traps = _examined(found, study, lambda: _examine_traps(study))
    placed = _without_faults(found, study)
    say("reading the catch table")
    found.catches = _examined(found, study, lambda: _examine_catches(study, found.traps))
    if study.season.start == "biofix":
        found.biofix = _attempt(found, study, lambda: _read_biofix(study))
    for species in study.species if study.rearing else ():
        _attempt(found, study, partial(study.rearing_of, species))
    found.stages = _attempt(found, study, study.stage_lags) or ()
    truth = study.head.truth
    if truth is not None and not truth.is_file():
        finding = f"the file of true values '{study.shown(truth)}' does not exist."
        remedy = "Correct its name, or remove the key."
        found.problems.append(Problem(finding, remedy, study.path.name, None, "study.truth"))
    compare_tables(
        study, found.traps, found.catches, found.biofix, problems=found.problems, notes=found.notes
    )
    if study.weather.files or fetch:
        say("reading the weather")
        found.weather = _attempt(
            found, study, lambda: read_study_weather(study, placed, today=today, progress=progress)
        )
    _link(found, study, placed)
    _choose_stations(found, study)
    for part in (study.traps, study.catches):
        if part.form == DARWIN_CORE:
            found.notes.append(f"{study.shown(part.file)}: read as Darwin Core occurrences.")
    for table, file in ((found.traps, study.traps.file), (found.catches, study.catches.file)):
        if table is not None:
            found.notes += [f"{study.shown(file)}: {note}" for note in table.attrs.get("notes", ())]
    if found.weather is not None:
        from phenofit.weather import notes

        found.notes += [_short(note, study) for note in notes(found.weather)]
    found.problems = by_file(study, found.problems)
    return found


def by_file(study: Study, problems: Iterable[Problem]) -> list[Problem]:
    """Return problems in the order of the files: study file, traps, catches, biofix, stations, weather."""
    files = [study.traps.file, study.catches.file, study.season.biofix, study.weather.stations]
    names = [study.shown(file) for file in (*files, *study.weather.files) if file is not None]
    # The study file, and what belongs to no file, comes first.
    place = {name: at for at, name in reversed(list(enumerate(names, start=1)))}
    return sorted(problems, key=lambda problem: place.get(problem.file, 0))


def _examine_traps(study: Study) -> tuple[pd.DataFrame, list[Problem]]:
    part, columns = study.traps, plain_columns(study.traps.columns)
    if part.form == DARWIN_CORE:
        return read_darwin_core(part.source, events=part.events)[0], []
    return examine_traps(part.source, columns=columns, dates=part.dates, fill=part.fill_down)


def _selection(study: Study, traps: pd.DataFrame | None, links: pd.DataFrame | None = None) -> Selection:
    """Return what the study uses of its catches."""
    stations = (
        {}
        if links is None
        else {str(t): str(s) for t, s in zip(links["trap"], links["station"], strict=True)}
    )
    return Selection(study.only.subset, study.left_out.subset, study.season_window(), traps, stations)


def _examine_catches(study: Study, traps: pd.DataFrame | None) -> tuple[pd.DataFrame, list[Problem]]:
    part = study.catches
    if part.form == DARWIN_CORE:
        catches = read_darwin_core(part.source, hour=part.hour, events=part.events)[1]
        return select_catches(catches, _selection(study, traps), str(part.file))
    return examine_catches(
        part.kept_as(_selection(study, traps)),
        dates=part.dates,
        blank=part.blank,
        columns=part.columns,
        hour=part.hour,
        words=part.words,
        fill=part.fill_down,
        duplicates=part.duplicates,
        unit=part.unit,
    )


def _examined(
    found: Gathered, study: Study, examine: Callable[[], tuple[pd.DataFrame, list[Problem]]]
) -> pd.DataFrame | None:
    """Return the table as far as it could be read, its problems collected."""
    result = _attempt(found, study, examine)
    if result is None:
        return None
    found.problems += [_named(problem, study) for problem in result[1]]
    return result[0]


def _without_faults(found: Gathered, study: Study) -> pd.DataFrame | None:
    """Return the rows of the trap table that have no fault: those that can be given a station."""
    if found.traps is None:
        return None
    file = study.shown(study.traps.file)
    faulty = {problem.row for problem in found.problems if problem.file == file}
    if None in faulty:
        return None
    return found.traps[~found.traps["row"].isin(list(faulty))].reset_index(drop=True)


def _attempt(found: Gathered, study: Study, read: Callable[[], _T]) -> _T | None:
    """Return what `read` gives, or None with its faults collected, files named as in the study."""
    try:
        return read()
    except DataError as fault:
        found.problems += [_named(problem, study) for problem in fault.problems]
    except (ModelError, PhenofitError) as fault:
        if isinstance(fault, RuntimeError | ImportError):  # the service or an extra: no fault of the input
            raise
        found.problems.append(Problem(_short(str(fault), study), "", study.path.name))
    return None


def _short(text: str, study: Study) -> str:
    return text.replace(f"{study.folder}{os.sep}", "")


def _named(problem: Problem, study: Study) -> Problem:
    if not problem.file:
        return problem
    path = Path(problem.file)
    sections = {study.catches.file: "catches", study.traps.file: "traps", study.season.biofix: "season"}
    sections |= dict.fromkeys(study.weather.files, "weather")
    remedy = problem.remedy
    if path in sections:
        remedy = _SETTING.sub(rf"\1et [{sections[path]}] \2", remedy)
    return replace(problem, file=study.shown(path), finding=_short(problem.finding, study), remedy=remedy)


def _read_biofix(study: Study) -> pd.DataFrame:
    part = study.season
    if part.biofix is None or part.dates is None:  # refused by the study file's own checks
        raise ModelError("the biofix table or its date order is not given.")
    return read_biofix(
        part.biofix, dates=part.dates, season=study.season_window(), columns=plain_columns(part.columns)
    )


def _link(found: Gathered, study: Study, traps: pd.DataFrame | None) -> None:
    """Give every sound trap its station; where the weather has faults, by the station table alone."""
    weather = found.weather
    if traps is None or traps.empty:
        return
    if weather is None:
        weather = stations_only(study)
        if weather is None:
            return
    from phenofit.weather import link_stations

    places = trap_places(traps, pool=study.catches.pool)
    try:
        links = link_stations(
            places,
            weather,
            max_distance_km=study.weather.max_distance_km,
            min_share=study.weather.min_share if found.weather is not None else 0.0,
        )
    except DataError as fault:
        rows = {str(trap): int(row) for trap, row in zip(traps["trap"], traps["row"], strict=True)}
        for problem in fault.problems:
            named = [row for trap, row in rows.items() if problem.finding.startswith(f"trap '{trap}':")]
            row = min(named) if named else None
            found.problems.append(replace(problem, file=study.shown(study.traps.file), row=row))
    else:
        found.links = links if found.weather is not None else None
        if found.weather is not None and study.weather.at_traps == "interpolated":
            _interpolate(found, study, places)


def _choose_stations(found: Gathered, study: Study) -> None:
    """Cut the catches down to the stations that the study names, now that they are known."""
    if not (study.only.stations or study.left_out.stations) or found.catches is None:
        return
    if found.links is None:
        if not found.problems:
            found.notes.append("the stations of [only] and [except] are looked at when the weather is read.")
        return
    selection = _selection(study, found.traps, found.links)
    file = str(study.catches.file)
    found.catches, problems = select_catches(found.catches, selection, file, ("stations",))
    found.problems += [_named(problem, study) for problem in problems]


def _interpolate(found: Gathered, study: Study, places: pd.DataFrame) -> None:
    """Replace the temperatures of the stations by those interpolated to each trap."""
    from phenofit.weather import at_traps

    weather, links = found.weather, found.links
    if weather is None or links is None:
        return
    part = study.weather
    found.weather = at_traps(
        places, weather, how="interpolated", max_distance_km=part.max_distance_km, lapse=part.lapse
    )
    # The distance stays that of the nearest station: it still says how far the temperatures have come.
    found.links = links.assign(station=links["trap"], how="interpolated")


def _hashes(study: Study, weather: xr.Dataset) -> dict[str, str]:
    files = [study.path, study.traps.file, study.catches.file, *study.weather.files]
    more = (
        study.traps.events,
        study.catches.events,
        study.weather.stations,
        study.season.biofix,
        study.head.truth,
        study.map.elevation,
        study.forecast.stages,
    )
    files += [part.file for part in study.rearing]
    files += [file for file in more if file]
    found = {study.shown(file): file_hash(file) for file in files if file.is_file()}
    if not study.weather.files:
        found[f"series of {study.weather.service}"] = _series_hash(weather)
    return found


def _series_hash(weather: xr.Dataset) -> str:
    """Return the SHA-256 of the temperatures that a station service gave: they are in no file of the study."""
    digest = hashlib.sha256()
    for name in ("station", "time", "tmin", "tmax"):
        values = weather[name].to_numpy()
        digest.update("\n".join(map(str, values)).encode() if values.dtype.kind in "OU" else values.tobytes())
    return digest.hexdigest()
