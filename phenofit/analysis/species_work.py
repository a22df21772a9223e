"""What is done with one species of a study: fitted, validated and compared as its study file says."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from phenofit.analysis.fit_checks import check_fit
from phenofit.errors import ModelError
from phenofit.flight.selection.fit_comparison import flights_evidence
from phenofit.flight.selection.flight_count import choose_flights, flight_candidates
from phenofit.progress import Progress
from phenofit.study import species_catches
from phenofit.traps.account import catch_account
from phenofit.validate import compare_published, cross_validate

if TYPE_CHECKING:
    import pandas as pd

    from phenofit.analysis.fit_checks import FitChecks
    from phenofit.flight import FlightFit
    from phenofit.study import Study, StudyInputs
    from phenofit.traps import TrapYears
    from phenofit.traps.account import CatchAccount
    from phenofit.validate import PublishedComparison, PublishedThreshold

__all__ = ["SpeciesWork"]


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
    flights : int, optional
        Flights a season, once they are settled; until then what the study says.
    """

    study: Study
    inputs: StudyInputs
    species: str
    trap_years: TrapYears
    flights: int | None = None

    @property
    def model(self) -> dict[str, Any]:
        """What every fit of the species is made with."""
        asked = self.study.flight_settings(self.species)
        return {
            "season": self.inputs.season,
            "heat": self.inputs.heat,
            "species": self.species,
            "flights": asked.count if self.flights is None else self.flights,
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
            "hold": dict(asked.hold),
            "upper_range": asked.upper_range,
            "records": asked.records,
            "level": asked.level,
        }

    @property
    def first_catches(self) -> bool:
        """Whether only the first catch of each trap-year is fitted."""
        return self.study.flight_settings(self.species).records == "first catch"

    @property
    def published(self) -> tuple[PublishedThreshold, ...]:
        """Published thresholds that the study tests on this species."""
        return self.study.published_for(self.species)

    def fit(self, *, profiles: bool = False, progress: Progress | None = None) -> FlightFit:
        """Fit the flights of the species."""
        return choose_flights(
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

    def account(self, fit: FlightFit) -> CatchAccount:
        """Return what became of the catches of the species: in the file, used by the fit, and left out."""
        own, _ = species_catches(self.study, self.inputs.catches, self.species)
        file = self.study.shown(self.study.catches.file)
        return catch_account(own, self.trap_years, fit.data, fit.left_out, species=self.species, file=file)

    def settled(self, fit: FlightFit | None = None) -> SpeciesWork:
        """Return the work with its number of flights settled: that of a fit to all records, made here if need be.

        Validation and comparisons with published thresholds are about a given number of flights; folds that each
        chose their own would not forecast the same events.
        """
        if self.flights is not None:
            return self
        numbers = flight_candidates(self.study.flight_settings(self.species).count)
        if len(numbers) == 1:
            return replace(self, flights=numbers[0])
        return replace(self, flights=(self.fit() if fit is None else fit).settings.flights)

    def check(self, fit: FlightFit) -> FitChecks:
        """Take a second look at a fit: older rules, residuals, influence, and the number of flights."""
        told = str(fit.provenance.get("flights choice", ""))
        number = fit.settings.flights
        if not told and number > 1:
            # A fit of fewer flights costs little beside the one that was made; one of more does not.
            fewer = replace(self, flights=number - 1).fit()
            told = flights_evidence([fit, fewer])
        return check_fit(
            fit,
            self.trap_years,
            self.inputs,
            min_moths=self.study.validation.min_moths,
            seed=self.study.head.seed,
            flights=told,
        )

    def validate(self, scheme: str, *, progress: Progress | None = None, **more: Any) -> pd.DataFrame:
        """Forecast held-out trap-years; `more` are further options of :func:`phenofit.cross_validate`.

        Raises
        ------
        ModelError
            If the study fits first catches alone, or nothing can be scored.
        """
        if self.first_catches:
            raise ModelError(
                "first catches alone tell nothing of the events that forecasts are held against."
            )
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
            **{"thresholds": self.published, "lead_days": part.lead_days, "older": part.older, **more},
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
