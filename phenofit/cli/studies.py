"""What several commands do with a study file: read it and give its species."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np

    from phenofit.analysis.species_work import SpeciesWork
    from phenofit.flight import FlightFit
    from phenofit.progress import Progress


def add_study_file(parser: argparse.ArgumentParser, what: str = "study file (TOML)") -> None:
    """Declare the study file."""
    parser.add_argument("study", type=Path, metavar="STUDY", help=what)


def output_name(study: Path) -> str:
    """Return the name of the folder for the results of a study."""
    stem = study.resolve().parent.name if study.stem == "study" else study.stem
    return re.sub(r"[^\w.-]+", "-", stem).strip("-.") or "study"


def add_study(parser: argparse.ArgumentParser) -> None:
    """Declare the study file and the choice of a species."""
    add_study_file(parser)
    add_species(parser)


def add_species(parser: argparse.ArgumentParser) -> None:
    """Declare the choice of a species."""
    parser.add_argument("--species", metavar="NAME", help="one species of the study (default: all)")


def open_species(args: argparse.Namespace, *, progress: Progress | None = None) -> list[SpeciesWork]:
    """Read a study with all inputs of its species, before anything is computed; return the species."""
    from phenofit.analysis.species_work import SpeciesWork
    from phenofit.study import load_study, read_inputs

    study = load_study(args.study)
    inputs = read_inputs(study, progress=progress)
    names = study.species if args.species is None else (study.species_name(args.species),)
    return [SpeciesWork.of(study, inputs, name) for name in names]


def day_of_issue(text: str | None, work: SpeciesWork) -> np.datetime64:
    """Return the day of issue: of the option --today, of the study, or the day after the last observation."""
    from phenofit.cli.options import day
    from phenofit.forecasting.distribution import to_unit

    asked = day("--today", text)
    return work.day_of_issue if asked is None else to_unit(asked, "D")


def fit_of_species(path: Path, species: Iterable[str], remedy: str) -> FlightFit:
    """Read a fit file; refuse it where it names another species."""
    from phenofit.errors import DataError, Problem
    from phenofit.flight import FlightFit

    fit = FlightFit.from_json(path)
    for name in species:
        if fit.settings.species and fit.settings.species != name:
            finding = f"the fit is of '{fit.settings.species}', not of '{name}'."
            raise DataError(Problem(finding, remedy, str(path)))
    return fit
