"""Compare the tables of a study with each other and with what the study says."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from phenofit.errors import Problem
from phenofit.files.tables import nearest
from phenofit.study.study_file import UNNAMED, Study
from phenofit.traps.species import species_key
from phenofit.traps.years import unknown_trap_problems

_NO_COVARIATE = ("trap", "site", "station", "row", "device", "valid_from")


def compare_tables(
    study: Study,
    traps: pd.DataFrame | None,
    catches: pd.DataFrame | None,
    biofix: pd.DataFrame | None,
    *,
    problems: list[Problem],
    notes: list[str],
) -> None:
    """Look for traps, species, covariates and sites that one table names and another does not have."""
    if traps is not None and catches is not None:
        theirs = study.catches.columns.get("trap", "trap")
        column = theirs if isinstance(theirs, str) else " + ".join(theirs)
        problems += [
            replace(p, file=study.shown(study.catches.file), column=column)
            for p in unknown_trap_problems(traps, catches)
        ]
    if catches is not None and study.species != (UNNAMED,):
        problems += _species_problems(study, catches, notes)
    if traps is not None:
        problems += _covariate_problems(study, traps)
    if traps is not None and biofix is not None:
        problems += _site_problems(study, traps, biofix)


def _covariate_problems(study: Study, traps: pd.DataFrame) -> list[Problem]:
    known = [str(c) for c in traps.columns if c not in _NO_COVARIATE]
    own = {
        c for part in (study.flights, *study.flights.species) for c in getattr(part, "covariates", None) or ()
    }
    wanted = {"covariates": ("covariate", own), "contrasts": ("contrast", set(study.flights.contrasts))}
    problems = []
    for key, (what, names) in wanted.items():
        for name in sorted(names - set(known)):
            finding = f"the {what} '{name}' is no column of the trap table."
            remedy = f"Its columns are {', '.join(known)}.{nearest(name, known)}"
            problems.append(Problem(finding, remedy, study.path.name, None, f"flights.{key}"))
    return problems


def _site_problems(study: Study, traps: pd.DataFrame, biofix: pd.DataFrame) -> list[Problem]:
    sites = {str(site) for site in traps["site"]}
    file = "" if study.season.biofix is None else study.shown(study.season.biofix)
    problems = []
    for site, row in zip(biofix["site"], biofix["row"], strict=True):
        if site not in sites:
            finding, remedy = f"site '{site}' is not in the trap table.", "Correct its name."
            problems.append(Problem(finding, remedy + nearest(str(site), sites), file, int(row), "site"))
    return problems


def _species_problems(study: Study, catches: pd.DataFrame, notes: list[str]) -> list[Problem]:
    file = study.shown(study.catches.file)
    column = str(study.catches.columns.get("species", "species"))
    if "species" not in catches:
        if len(study.species) == 1:
            return []
        finding = f"the study has {len(study.species)} species, the table no species column."
        remedy = 'Name it in [catches.columns] (species = "..."), or give the study one species.'
        return [Problem(finding, remedy, file)]
    key_of = {name: species_key(name) for name in catches["species"].unique()}
    there = {key: str(name) for name, key in key_of.items()}
    asked = {species_key(name): name for name in study.species}
    other = [name for key, name in there.items() if key not in asked]
    if other:
        aside = catches[~catches["species"].map(key_of).isin(list(asked))]
        listed = ", ".join(f"'{name}'" if name else "none named" for name in sorted(other)[:6])
        moths = int(aside["count"].sum())
        notes.append(f"{file}: {len(aside)} rows of other species with {moths} moths left aside ({listed}).")
    listed = ", ".join(sorted(map(repr, there.values()))[:8])
    problems = []
    for name in (name for key, name in asked.items() if key not in there):
        remedy = f"The table has {listed}.{nearest(name, there.values())}"
        problems.append(Problem(f"no row is of species '{name}'.", remedy, file, None, column))
    return problems
