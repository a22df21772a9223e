"""What several commands do with a study file: read it, pick species, fit, forecast held-out trap-years."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

    from phenofit.flight import FlightFit
    from phenofit.study import Study, StudyInputs
    from phenofit.traps import TrapYears
    from phenofit.validate import PublishedThreshold

__all__ = ["SpeciesWork", "add_study", "open_species"]


def add_study(parser: argparse.ArgumentParser) -> None:
    """Declare the study file and the choice of a species."""
    parser.add_argument("study", type=Path, metavar="STUDY", help="study file (TOML)")
    parser.add_argument("--species", metavar="NAME", help="one species of the study (default: all)")


@dataclass(frozen=True)
class SpeciesWork:
    """One species of a study, its inputs read."""

    study: Study
    inputs: StudyInputs
    species: str
    trap_years: TrapYears

    @property
    def model(self) -> dict[str, Any]:
        """What every fit of the species is made with."""
        asked = self.study.flight_settings(self.species)
        return {
            "season": self.inputs.season,
            "heat": self.inputs.heat,
            "species": self.species,
            "flights": asked.count,
            "curve": asked.curve,
            "starts": self.inputs.starts,
        }

    @property
    def options(self) -> dict[str, Any]:
        """Further options of a fit."""
        asked = self.study.flight_settings(self.species)
        return {
            "shifts": asked.shifts,
            "stray": asked.stray,
            "covariates": asked.covariates,
            "level": asked.level,
        }

    @property
    def published(self) -> tuple[PublishedThreshold, ...]:
        """Published thresholds that the study tests on this species."""
        return self.study.published_for(self.species)

    def fit(self, *, profiles: bool = False) -> FlightFit:
        """Fit the flights of the species."""
        from phenofit.flight import fit_flights

        return fit_flights(
            self.trap_years,
            self.inputs.weather,
            self.inputs.links,
            **self.model,
            **self.options,
            base=self.study.flight_settings(self.species).base,
            profiles=profiles,
            provenance={"inputs": dict(self.inputs.hashes)},
        )

    def validate(
        self, scheme: str, *, progress: Callable[[str], None] | None = None, **more: Any
    ) -> pd.DataFrame:
        """Forecast held-out trap-years."""
        from phenofit.validate import cross_validate

        part = self.study.validation
        return cross_validate(
            self.trap_years,
            self.inputs.weather,
            self.inputs.links,
            **self.model,
            base=self.study.flight_settings(self.species).base,
            fit_options=self.options,
            leave_out=scheme,
            seed=self.study.head.seed,
            progress=progress,
            min_moths=part.min_moths,
            blocks=part.blocks,
            first_years=part.first_years,
            **{"thresholds": self.published, **more},
        )


def open_species(args: argparse.Namespace) -> Iterator[SpeciesWork]:
    """Read a study and give its species one by one."""
    from phenofit.study import load_study, read_inputs

    study = load_study(args.study)
    inputs = read_inputs(study)
    names = study.species if args.species is None else (study.species_name(args.species),)
    for name in names:
        yield SpeciesWork(study, inputs, name, inputs.trap_years(name))
