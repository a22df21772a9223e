"""What several commands do with a study file: read it and give its species one by one."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np

    from phenofit.species_work import SpeciesWork

__all__ = ["add_study", "begin_from_files", "day_of", "open_species"]


def add_study(parser: argparse.ArgumentParser) -> None:
    """Declare the study file and the choice of a species."""
    parser.add_argument("study", type=Path, metavar="STUDY", help="study file (TOML)")
    parser.add_argument("--species", metavar="NAME", help="one species of the study (default: all)")


def open_species(args: argparse.Namespace) -> Iterator[SpeciesWork]:
    """Read a study and give its species one by one."""
    from phenofit.run_folder import begin
    from phenofit.species_work import SpeciesWork
    from phenofit.study import load_study, read_inputs

    study = load_study(args.study)
    inputs = read_inputs(study)
    begin(inputs.hashes, **_options(args))
    names = study.species if args.species is None else (study.species_name(args.species),)
    for name in names:
        yield SpeciesWork(study, inputs, name, inputs.trap_years(name))


def _options(args: argparse.Namespace) -> dict[str, str]:
    """Return the options of a call that its results depend on, files by their content."""
    from phenofit.files import file_hash

    passed = {"study", "source", "out", "quiet", "traceback", "workers"}
    found = {
        name: value
        for name, value in vars(args).items()
        if name not in passed and value not in (None, [], False)
    }
    return {
        name: file_hash(value) if isinstance(value, Path) and value.is_file() else str(value)
        for name, value in sorted(found.items())
    }


def begin_from_files(
    files: Iterable[Path], args: argparse.Namespace, *, hashes: Mapping[str, str] | None = None
) -> None:
    """Name the run under way from input files and the options of the call."""
    from phenofit.files import file_hash
    from phenofit.run_folder import begin

    begin({**dict(hashes or {}), **{file.name: file_hash(file) for file in files}}, **_options(args))


def day_of(text: str) -> np.datetime64:
    """Return the day that ``--today`` names.

    Raises
    ------
    ModelError
        If it is no date.
    """
    import numpy as np

    from phenofit.errors import ModelError
    from phenofit.forecast.distribution import moment

    try:
        day = moment(text, "D")
    except ValueError:
        day = np.datetime64("NaT", "D")
    if np.isnat(day):
        raise ModelError(f"--today '{text}' is not a date; write year-month-day, such as 2024-05-20.")
    return day
