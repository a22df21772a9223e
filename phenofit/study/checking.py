"""Look through a study's inputs and report: every problem, or what was read."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

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
from phenofit.study.checks.survey_document import survey_document
from phenofit.study.checks.trap_survey import (
    interval_lengths,
    longest_intervals,
    offset_notes,
    weather_of_traps,
)
from phenofit.study.inputs import Gathered, by_file, gather, species_catches, species_trap_years
from phenofit.study.load import load_leniently
from phenofit.study.study_file import Study
from phenofit.traps.account import CatchAccount, catch_account
from phenofit.traps.biofix import biofix_starts


@dataclass(frozen=True)
class StudySurvey:
    """The result of checking the inputs of a study.

    Attributes
    ----------
    study : str
        The study file, as it was named.
    problems : tuple of Problem
        Everything that must be corrected; empty if the study can be run.
    lines : tuple of str
        What was read, in words.
    notes : tuple of str
        What was skipped, filled or set aside.
    accounts : tuple of CatchAccount
        What a fit uses of the catches of each species, and what it leaves out, by reason.
    records : dict of str to Records
        The records behind each account; without weather where the station service would be asked.
    traps : pandas.DataFrame or None
        Weather of each trap: ``trap, station, distance_km, height_difference_m, how, share_covered, offset`` [degC]
        ``, neighbours``; and its intervals: ``checks, median_days, longest_days``.
    longest : pandas.DataFrame or None
        The ten longest intervals: ``species, trap, start, end, days, row``.
    """

    study: str
    problems: tuple[Problem, ...]
    lines: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    accounts: tuple[CatchAccount, ...] = ()
    records: Mapping[str, Records] = field(default_factory=dict)
    traps: pd.DataFrame | None = None
    longest: pd.DataFrame | None = None

    def to_json(self) -> str:
        """Return everything except the records as JSON; README.md names the fields."""
        found = survey_document(
            self.study,
            problems=self.problems,
            read=self.lines,
            notes=self.notes,
            accounts=self.accounts,
            traps=self.traps,
            longest=self.longest,
        )
        return json.dumps(found, indent=2, ensure_ascii=False, allow_nan=False)


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
    name = os.fspath(path)
    try:
        study, faults = load_leniently(path)
    except DataError as fault:
        return StudySurvey(name, fault.problems)
    if study is None:
        return StudySurvey(name, faults)
    found = _gathered(study, faults)
    if faults:
        # The tables of a faulty study file can be checked, but not summed up.
        return StudySurvey(name, (*faults, *found.problems))
    lines: list[str] = []
    if found.traps is not None:
        sites = found.traps["site"].nunique()
        lines.append(f"{study.shown(study.traps.file)}: {len(found.traps)} traps at {sites} sites")
    if found.catches is not None:
        lines += _catch_lines(study, found.catches)
    if found.weather is not None:
        lines += _weather_lines(found.weather)
        _check_overlap(study, found)
        found.notes += _gap_notes(study, found)
    elif not study.weather.files:
        lines.append("weather: from the station service; not asked by a check")
    survey = StudySurvey(name, (), tuple(lines))
    if not found.problems:
        survey = _with_accounts(survey, study, found)
    return replace(survey, problems=tuple(by_file(study, found.problems)), notes=tuple(found.notes))


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


def _with_accounts(survey: StudySurvey, study: Study, found: Gathered) -> StudySurvey:
    """Add what a fit would use of each species, as the fit says it, and the intervals and weather of the traps."""
    accounts: list[CatchAccount] = []
    records: dict[str, Records] = {}
    for species in study.species:
        try:
            own = _records(study, found, species)
            account, have = _account(study, found, own, species)
        except DataError as fault:
            found.problems += [_of_species(study, species, problem) for problem in fault.problems]
            continue
        records[species] = own
        accounts.append(account)
        asked = min(study.flight_model(species).numbers)
        lacking = lacking_for_fit(have, flights=asked)
        found.problems += [_of_species(study, species, problem) for problem in lacking]
        few = lacking_for_verdict(have, flights=asked)
        if few and study.published_for(species):
            found.notes.append(f"{species}: no verdict on a published threshold: {few}.")
    return replace(
        survey,
        accounts=tuple(accounts),
        records=records,
        traps=_trap_table(study, found, records),
        longest=longest_intervals({name: own.trap_years for name, own in records.items()})
        if records
        else None,
    )


def _trap_table(study: Study, found: Gathered, records: Mapping[str, Records]) -> pd.DataFrame | None:
    """Return the weather and the intervals of each trap, as far as they are known."""
    parts: list[pd.DataFrame] = []
    if found.weather is not None and found.links is not None and found.catches is not None:
        parts.append(weather_of_traps(found.links, found.weather, found.catches, study.season_window()))
        found.notes += offset_notes(parts[0])
    if records:
        parts.append(interval_lengths({name: own.trap_years for name, own in records.items()}))
    if len(parts) < 2:
        return parts[0] if parts else None
    return parts[0].merge(parts[1], on="trap", how="left")


def _of_species(study: Study, species: str, problem: Problem) -> Problem:
    file = study.shown(study.catches.file)
    return replace(problem, finding=f"{species}: {problem.finding}", file=file)


def _records(study: Study, found: Gathered, species: str) -> Records:
    """Return the records of a species; without the weather where that is not known."""
    assert found.traps is not None
    assert found.catches is not None
    years = species_trap_years(study, found.traps, found.catches, species)
    found.notes += [f"{species}: {note}" for note in years.notes]
    known = found.weather is not None and found.links is not None
    weather = found.weather if known and found.weather is not None else xr.Dataset()
    links = found.links if known and found.links is not None else pd.DataFrame(columns=["trap", "station"])
    starts = None if found.biofix is None else biofix_starts(found.biofix)
    return Records(years, weather, links, study.season_window(), starts, species, found.traps)


def _account(
    study: Study, found: Gathered, records: Records, species: str
) -> tuple[CatchAccount, pd.DataFrame]:
    """Return the account of a species, and how many checks with moths each trap-year has."""
    assert found.catches is not None
    own, _ = species_catches(study, found.catches, species)
    years = records.trap_years
    file = study.shown(study.catches.file)
    if not records.weather.sizes:
        nothing = pd.DataFrame({"rows": [], "moths": []})
        account = catch_account(own, years, years.years, nothing, species=species, file=file, whole=False)
        return account, recorded(years)
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
                f"station '{station}', season {season.label(int(year))}: no temperatures on {gaps.size} "
                f"day{'s' if gaps.size > 1 else ''} from {gaps[0]}; catches after that day cannot be used unless [weather] fill is set."
            )
    return notes


def _day(stamp: object) -> str:
    return str(np.datetime64(stamp, "D"))  # type: ignore[call-overload]
