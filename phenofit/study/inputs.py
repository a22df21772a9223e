"""Read everything that a study names, and collect what is wrong in all of it."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.errors import DataError, ModelError, PhenofitError, Problem
from phenofit.files import file_hash
from phenofit.heat.settings import HeatSettings
from phenofit.seasons import Season
from phenofit.study.model import Study
from phenofit.tables import nearest
from phenofit.traps import (
    TrapYears,
    biofix_starts,
    build_trap_years,
    read_biofix,
    read_catches,
    read_traps,
    trap_places,
    unknown_trap_problems,
)

__all__ = ["Gathered", "StudyInputs", "gather", "read_inputs"]

Progress = Callable[[str], None]
_T = TypeVar("_T")


@dataclass(frozen=True)
class StudyInputs:
    """Everything that a study reads.

    Attributes
    ----------
    study : Study
        What asked for it.
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

    @property
    def starts(self) -> dict[tuple[str, int], np.datetime64] | None:
        """Biofix of each (site, season year), or None where sums begin on the season's first day."""
        return None if self.biofix is None else biofix_starts(self.biofix)

    def trap_years(self, species: str) -> TrapYears:
        """Cut the catches of one species into trap-years.

        Parameters
        ----------
        species : str
            One of the study's.

        Returns
        -------
        TrapYears

        Raises
        ------
        DataError
            If nothing usable remains.
        ModelError
            If the study has no such species.
        """
        return species_trap_years(self.study, self.traps, self.catches, species)


def species_trap_years(study: Study, traps: pd.DataFrame, catches: pd.DataFrame, species: str) -> TrapYears:
    """Cut the catches of one species of a study into trap-years."""
    name = study.species_name(species)
    return build_trap_years(
        traps,
        _of_species(catches, name),
        study.season_window(),
        first_interval_days=study.catches.first_interval_days,
        longest_interval_days=study.catches.longest_interval_days,
        pool=study.catches.pool,
    )


def _key(name: object) -> str:
    return " ".join(str(name).split()).casefold()


def _of_species(catches: pd.DataFrame, species: str) -> pd.DataFrame:
    if "species" not in catches:
        return catches
    own = catches[catches["species"].map(_key) == _key(species)].drop(columns="species")
    own.attrs = dict(catches.attrs)
    return own


@dataclass
class Gathered:
    """What could be read so far, and what is wrong."""

    traps: pd.DataFrame | None = None
    catches: pd.DataFrame | None = None
    weather: xr.Dataset | None = None
    links: pd.DataFrame | None = None
    biofix: pd.DataFrame | None = None
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
        hashes=_hashes(study),
    )


def gather(
    study: Study, *, today: str | None = None, progress: Progress | None = None, fetch: bool = True
) -> Gathered:
    """Read what can be read and collect every problem.

    Parameters
    ----------
    study : Study
        The study.
    today : str, optional
        Run date for the station service.
    progress : callable, optional
        Gets a sentence at each step.
    fetch : bool
        Ask the station service where the study names it; without, such weather is left unread.

    Returns
    -------
    Gathered
    """
    tell = progress or (lambda _: None)
    found = Gathered()
    part = study.catches
    tell("reading the trap table")
    found.traps = _attempt(
        found,
        study,
        lambda: read_traps(
            study.traps.file,
            columns=_plain(study.traps.columns),
            dates=study.traps.dates,
            fill=study.traps.fill_down,
        ),
    )
    tell("reading the catch table")
    found.catches = _attempt(
        found,
        study,
        lambda: read_catches(
            part.file,
            dates=part.dates,
            blank=part.blank,
            columns=part.columns,
            hour=part.hour,
            words=part.words,
            fill=part.fill_down,
            duplicates=part.duplicates,
        ),
    )
    if study.season.start == "biofix":
        found.biofix = _attempt(found, study, lambda: _read_biofix(study))
    _look_at_tables(found, study)
    if study.weather.files or fetch:
        tell("reading the weather")
        found.weather = _attempt(found, study, lambda: _read_weather(study, found.traps, today, progress))
    _link(found, study)
    for table, file in ((found.traps, study.traps.file), (found.catches, part.file)):
        if table is not None:
            found.notes += [f"{study.shown(file)}: {note}" for note in table.attrs.get("notes", ())]
    if found.weather is not None:
        from phenofit.weather.schema import notes

        found.notes += [note.replace(f"{study.folder}{os.sep}", "") for note in notes(found.weather)]
    return found


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
    return replace(problem, file=study.shown(Path(problem.file)), finding=_short(problem.finding, study))


def _plain(columns: Mapping[str, str | tuple[str, ...]]) -> dict[str, str]:
    wrong = [ours for ours, theirs in columns.items() if not isinstance(theirs, str)]
    if wrong:
        raise ModelError(f"column '{wrong[0]}' must be one column name of the file, not a list.")
    return {ours: theirs for ours, theirs in columns.items() if isinstance(theirs, str)}


def _read_biofix(study: Study) -> pd.DataFrame:
    part = study.season
    if part.biofix is None or part.dates is None:  # refused by the study file's own checks
        raise ModelError("the biofix table or its date order is not given.")
    return read_biofix(
        part.biofix, dates=part.dates, season=study.season_window(), columns=_plain(part.columns)
    )


def _read_weather(
    study: Study, traps: pd.DataFrame | None, today: str | None, progress: Progress | None
) -> xr.Dataset | None:
    part = study.weather
    if part.files:
        from phenofit.weather import read_weather

        return read_weather(
            part.files,
            unit=part.unit,
            stations=part.stations,
            columns=_plain(part.columns),
            station_columns=_plain(part.station_columns),
            dates=part.dates,
            missing_codes=part.missing_codes,
            duplicates=part.duplicates,
        )
    if traps is None or part.years is None:
        return None  # without positions there is nothing to ask for; the trap table's own problems are told
    from phenofit.weather import fetch_weather

    own = study.forecast.today
    return fetch_weather(
        traps,
        years=part.years,
        cache=study.weather_cache,
        max_distance_km=part.max_distance_km,
        today=today or (None if own is None else own.isoformat()),
        observations_only=not part.modelled,
        progress=progress,
    )


def _look_at_tables(found: Gathered, study: Study) -> None:
    """Compare the tables with each other and with the study."""
    traps, catches, problems = found.traps, found.catches, found.problems
    if traps is not None and catches is not None:
        trap_column = study.catches.columns.get("trap", "trap")
        column = trap_column if isinstance(trap_column, str) else " + ".join(trap_column)
        problems += [
            replace(p, file=study.shown(study.catches.file), column=column)
            for p in unknown_trap_problems(traps, catches)
        ]
    if catches is not None:
        problems += _species_problems(study, catches, found.notes)
    if traps is not None:
        known = [
            c for c in traps.columns if c not in ("trap", "site", "station", "row", "device", "valid_from")
        ]
        wanted = {c for s in study.species for c in study.flight_settings(s).covariates}
        problems += [
            Problem(
                f"the covariate '{name}' is no column of the trap table.",
                f"Its columns are {', '.join(map(str, known))}.{nearest(name, [str(c) for c in known])}",
                study.path.name,
                None,
                "flights.covariates",
            )
            for name in sorted(wanted - set(known))
        ]
    if traps is not None and found.biofix is not None:
        sites = set(traps["site"])
        file = "" if study.season.biofix is None else study.shown(study.season.biofix)
        problems += [
            Problem(
                f"site '{site}' is not in the trap table.",
                f"Correct its name.{nearest(str(site), sites)}",
                file,
                int(row),
                "site",
            )
            for site, row in zip(found.biofix["site"], found.biofix["row"], strict=True)
            if site not in sites
        ]


def _species_problems(study: Study, catches: pd.DataFrame, notes: list[str]) -> list[Problem]:
    file = study.shown(study.catches.file)
    column = str(study.catches.columns.get("species", "species"))
    if "species" not in catches:
        if len(study.species) == 1:
            return []
        remedy = 'Name it in [catches.columns] (species = "..."), or give the study one species.'
        return [
            Problem(f"the study has {len(study.species)} species, the table no species column.", remedy, file)
        ]
    there = {_key(name): str(name) for name in catches["species"]}
    asked = {_key(name): name for name in study.species}
    other = [name for key, name in there.items() if key not in asked]
    if other:
        number = int(catches["species"].isin(other).sum())
        listed = ", ".join(f"'{name}'" for name in sorted(other)[:6])
        notes.append(f"{file}: {number} rows of other species left aside ({listed}).")
    return [
        Problem(
            f"no row is of species '{name}'.",
            f"The table has {', '.join(sorted(map(repr, there.values()))[:8])}.{nearest(name, there.values())}",
            file,
            None,
            column,
        )
        for key, name in asked.items()
        if key not in there
    ]


def _link(found: Gathered, study: Study) -> None:
    if found.traps is None or found.weather is None:
        return
    from phenofit.weather import link_stations

    places = trap_places(found.traps, pool=study.catches.pool)
    limit = study.weather.max_distance_km
    weather = found.weather
    try:
        found.links = link_stations(places, weather, max_distance_km=limit)
    except DataError as fault:
        rows = {
            str(trap): int(row) for trap, row in zip(found.traps["trap"], found.traps["row"], strict=True)
        }
        file = study.shown(study.traps.file)
        for problem in fault.problems:
            named = [row for trap, row in rows.items() if problem.finding.startswith(f"trap {trap}:")]
            found.problems.append(replace(problem, file=file, row=min(named) if named else None))


def _hashes(study: Study) -> dict[str, str]:
    files = [study.path, study.traps.file, study.catches.file, *study.weather.files]
    files += [file for file in (study.weather.stations, study.season.biofix, study.head.truth) if file]
    return {study.shown(file): file_hash(file) for file in files if file.is_file()}
