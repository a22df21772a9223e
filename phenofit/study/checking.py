"""Look through a study's inputs and report: every problem, or what was read."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
import xarray as xr

from phenofit.errors import DataError, Problem
from phenofit.files.dates import DATE_ORDERS
from phenofit.flight.estimate.enough_records import (
    lacking_for_fit,
    lacking_for_verdict,
    recorded,
    recorded_in,
)
from phenofit.flight.likelihood.flight_data import assemble
from phenofit.records import Records
from phenofit.study.inputs import Gathered, gather, species_catches, species_trap_years
from phenofit.study.load import load_leniently
from phenofit.study.study_file import Study
from phenofit.traps.account import CatchAccount, catch_account
from phenofit.traps.biofix import biofix_starts


@dataclass(frozen=True)
class StudySurvey:
    """The result of checking the inputs of a study.

    Attributes
    ----------
    problems : tuple of Problem
        Everything that must be corrected; empty if the study can be run.
    lines : tuple of str
        What was read, in words.
    notes : tuple of str
        What was skipped, filled or set aside.
    links : pandas.DataFrame or None
        Station of each trap: ``trap, station, distance_km, height_difference_m, how``.
    """

    problems: tuple[Problem, ...]
    lines: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    links: pd.DataFrame | None = None


def check_study(path: str | os.PathLike[str]) -> tuple[Problem, ...]:
    """Read everything that a study names and return every problem; nothing is fitted or written.

    Parameters
    ----------
    path : path-like
        The study file.

    Returns
    -------
    tuple of Problem
        Empty if the study can be run.
    """
    return survey_study(path).problems


def survey_study(path: str | os.PathLike[str]) -> StudySurvey:
    """Read everything that a study names; return the problems, and what was read.

    Parameters
    ----------
    path : path-like
        The study file.

    Returns
    -------
    StudySurvey
        The station service is not asked: a study on it is checked without its weather, which the lines say.
    """
    try:
        study, faults = load_leniently(path)
    except DataError as fault:
        return StudySurvey(fault.problems)
    if study is None:
        return StudySurvey(faults)
    found = _gathered(study, faults)
    if faults:
        # The tables of a faulty study file can be checked, but not summed up.
        return StudySurvey((*faults, *found.problems))
    lines: list[str] = []
    if found.traps is not None:
        sites = found.traps["site"].nunique()
        lines.append(f"{study.shown(study.traps.file)}: {len(found.traps)} traps at {sites} sites")
    if found.catches is not None:
        lines += _catch_lines(study, found.catches)
    if found.weather is not None:
        _check_overlap(study, found)
        found.notes += _gap_notes(study, found)
    if not found.problems:
        lines += _account_lines(study, found)
    if found.weather is not None:
        lines += _weather_lines(found.weather)
    elif not study.weather.files:
        lines.append("weather: from the station service; not asked by a check")
    return StudySurvey(tuple(found.problems), tuple(lines), tuple(found.notes), found.links)


def _gathered(study: Study, faults: tuple[Problem, ...]) -> Gathered:
    """Read the inputs; where the date order is not declared, in the order that leaves the fewest faults."""
    if not any(problem.column == "catches.dates" for problem in faults):
        return gather(study, fetch=False)
    tries = []
    for order in DATE_ORDERS:
        part = study.catches.model_copy(update={"dates": order})
        tries.append(gather(study.model_copy(update={"catches": part}), fetch=False))
    return min(tries, key=lambda found: len(found.problems))


def _catch_lines(study: Study, catches: pd.DataFrame) -> list[str]:
    status = catches["status"].value_counts()
    zeros = int(((catches["status"] == "counted") & (catches["count"] == 0)).sum())
    unread = int(((catches["status"] == "counted") & catches["count"].isna()).sum())
    counted = int(status.get("counted", 0)) - unread
    parts = [f"{counted} counted (of these {zeros} held none)", *([f"{unread} unreadable"] if unread else [])]
    words = {
        "missing": "not checked",
        "lost": "lost",
        "at least": "at least",
        "present": "present, not counted",
    }
    parts += [f"{int(status[key])} {word}" for key, word in words.items() if key in status]
    known = catches["check"].dropna()
    span = f"{_day(known.min())} to {_day(known.max())}" if len(known) else "no readable date"
    return [f"{study.shown(study.catches.file)}: {len(catches)} checks, {span}: {', '.join(parts)}"]


def _account_lines(study: Study, found: Gathered) -> list[str]:
    """Say of each species what a fit would use of its catches and what it would leave out, as the fit says it."""
    lines = []
    for species in study.species:
        try:
            account, have = _account(study, found, species)
        except DataError as fault:
            found.problems += [_of_species(study, species, problem) for problem in fault.problems]
            continue
        lines += account.lines()
        asked = min(study.flight_model(species).numbers)
        lacking = lacking_for_fit(have, flights=asked)
        found.problems += [_of_species(study, species, problem) for problem in lacking]
        few = lacking_for_verdict(have, flights=asked)
        if few and study.published_for(species):
            found.notes.append(f"{species}: no verdict on a published threshold: {few}.")
    return lines


def _of_species(study: Study, species: str, problem: Problem) -> Problem:
    file = study.shown(study.catches.file)
    return replace(problem, finding=f"{species}: {problem.finding}", file=file)


def _account(study: Study, found: Gathered, species: str) -> tuple[CatchAccount, pd.DataFrame]:
    """Return the account of a species, and how many checks with moths each trap-year has."""
    assert found.traps is not None
    assert found.catches is not None
    own, _ = species_catches(study, found.catches, species)
    years = species_trap_years(study, found.traps, found.catches, species)
    found.notes += [f"{species}: {note}" for note in years.notes]
    file = study.shown(study.catches.file)
    if found.weather is None or found.links is None:
        nothing = pd.DataFrame({"rows": [], "moths": []})
        account = catch_account(own, years, years.years, nothing, species=species, file=file, whole=False)
        return account, recorded(years)
    starts = None if found.biofix is None else biofix_starts(found.biofix)
    records = Records(years, found.weather, found.links, study.season_window(), starts, species)
    data = assemble(records, kind=study.flight_model(species).records)
    account = catch_account(own, years, data.table, data.left_out, species=species, file=file)
    return account, recorded_in(data)


def _weather_lines(weather: xr.Dataset) -> list[str]:
    days = weather["time"].to_numpy()
    complete = (weather["tmin"].notnull() & weather["tmax"].notnull()).sum("time").to_numpy()
    missing = int((len(days) - complete).sum())
    span = f"{_day(days[0])} to {_day(days[-1])}"
    gaps = f"{missing} of {len(days) * len(complete)} station-days without both temperatures"
    return [f"weather: {weather.sizes['station']} stations, {span}, {gaps}"]


def _check_overlap(study: Study, found: Gathered) -> None:
    """Refuse weather that covers no year of the catches, and note the seasons it does not reach."""
    if found.weather is None or found.catches is None or found.weather.sizes["time"] == 0:
        return
    season = study.season_window()
    checks = found.catches["check"].dropna().to_numpy()
    years = np.unique(season.year_of(checks))
    years = years[years >= 0]
    days = found.weather["time"].to_numpy().astype("datetime64[D]")
    without = [
        int(y) for y in years if season.first_day(int(y)) < days[0] or season.first_day(int(y)) > days[-1]
    ]
    if years.size and len(without) == years.size:
        finding = (
            f"the weather ({days[0]} to {days[-1]}) reaches back to the start of no season with catches "
            f"({season.label(int(years[0]))} to {season.label(int(years[-1]))}, from {season.start})."
        )
        remedy = "Give weather from the start of each season, or correct the dates."
        found.problems.append(Problem(finding, remedy, study.path.name, None, "weather"))
    elif without:
        labels = ", ".join(season.label(y) for y in without)
        found.notes.append(
            f"no weather from the start of the seasons {labels}: their catches cannot be used."
        )


def _gap_notes(study: Study, found: Gathered) -> list[str]:
    """Name the seasons in which a station lacks days before the last check of its traps: the heat sum ends there."""
    if found.weather is None or found.catches is None or found.links is None:
        return []
    season = study.season_window()
    days = found.weather["time"].to_numpy().astype("datetime64[D]")
    whole = found.weather["tmin"].notnull() & found.weather["tmax"].notnull()
    devices: dict[str, str] = {}
    if found.traps is not None and "device" in found.traps:
        devices = dict(zip(found.traps["trap"], found.traps["device"], strict=True))
    station_of = {
        str(devices.get(t, t)): str(s)
        for t, s in zip(found.links["trap"], found.links["station"], strict=True)
    }
    table = found.catches.assign(
        station=found.catches["trap"].map(station_of), year=season.year_of(found.catches["check"].to_numpy())
    )
    notes = []
    last_checks = table[table["year"] >= 0].groupby(["station", "year"])["check"].max()
    for station, year, last in last_checks.reset_index().itertuples(index=False, name=None):
        first = season.first_day(int(year))
        if first < days[0]:
            continue  # _check_overlap names it as a season without weather
        within = (days >= first) & (days <= np.datetime64(last, "D"))
        gaps = days[within][~whole.sel(station=station).to_numpy()[within]]
        if gaps.size:
            notes.append(
                f"station {station}, season {season.label(int(year))}: {gaps.size} days without both temperatures "
                f"from {gaps[0]}; catches after that day cannot be used unless [weather] fill is set."
            )
    return notes


def _day(stamp: object) -> str:
    return str(np.datetime64(stamp, "D"))  # type: ignore[call-overload]
