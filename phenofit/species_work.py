"""What is done with one species of a study: fitted, validated and compared as its study file says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from phenofit.flight import choose_curve
from phenofit.validate import compare_published, cross_validate

if TYPE_CHECKING:
    import pandas as pd

    from phenofit.flight import FlightFit
    from phenofit.study import Study, StudyInputs
    from phenofit.traps import TrapYears
    from phenofit.validate import PublishedComparison, PublishedThreshold

__all__ = ["SpeciesWork"]

Progress = Callable[[str], None]


@dataclass(frozen=True)
class SpeciesWork:
    """One species of a study, its inputs read.

    Attributes
    ----------
    study : Study
        What was asked.
    inputs : StudyInputs
        What was read.
    species : str
        Name of the species in the study.
    trap_years : TrapYears
        Its catches.
    """

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

    def fit(self, *, profiles: bool = False, progress: Progress | None = None) -> FlightFit:
        """Fit the flights of the species."""
        return choose_curve(
            self.trap_years,
            self.inputs.weather,
            self.inputs.links,
            **self.model,
            **self.options,
            base=self.study.flight_settings(self.species).base,
            profiles=profiles,
            provenance={"inputs": dict(self.inputs.hashes)},
            progress=progress,
        )

    def validate(self, scheme: str, *, progress: Progress | None = None, **more: Any) -> pd.DataFrame:
        """Forecast held-out trap-years; `more` are further options of :func:`phenofit.cross_validate`."""
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
            **{"thresholds": self.published, "lead_days": part.lead_days, **more},
        )

    def compare(
        self, threshold: PublishedThreshold, *, validation: pd.DataFrame | None, level: float
    ) -> PublishedComparison:
        """Test a published threshold on the catches of the species."""
        return compare_published(
            self.trap_years,
            self.inputs.weather,
            self.inputs.links,
            threshold,
            **self.model,
            fit_options=self.options,
            validation=validation,
            level=level,
            seed=self.study.head.seed,
        )
