"""What is done with one species of a study: fitted, validated and compared as its study file says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from phenofit.analysis.fit_checks import check_fit
from phenofit.analysis.further_questions import further_questions
from phenofit.errors import ModelError
from phenofit.flight import fit_flights
from phenofit.flight.selection.fit_comparison import flights_evidence
from phenofit.forecasting.distribution import to_unit
from phenofit.forecasting.forecast_places import day_after_last
from phenofit.progress import Progress
from phenofit.study import species_catches
from phenofit.traps.account import catch_account
from phenofit.validate import Scheme, compare_published, cross_validate

if TYPE_CHECKING:
    from concurrent.futures import Executor

    import numpy as np
    import pandas as pd

    from phenofit.analysis.fit_checks import FitChecks
    from phenofit.flight import FlightFit, FlightModel
    from phenofit.records import Records
    from phenofit.study import Study, StudyInputs
    from phenofit.traps.account import CatchAccount
    from phenofit.validate import PublishedComparison, PublishedThreshold


@dataclass(frozen=True)
class SpeciesWork:
    """One species of a study, its inputs read.

    Attributes
    ----------
    study : Study
        The study.
    inputs : StudyInputs
        Its tables and weather.
    species : str
        Name of the species in the study.
    records : Records
        Its records.
    flights : int, optional
        Flights a season, once they are settled; until then what the study says.
    """

    study: Study
    inputs: StudyInputs
    species: str
    records: Records
    flights: int | None = None

    @classmethod
    def of(cls, study: Study, inputs: StudyInputs, species: str) -> SpeciesWork:
        """Return one species of a study whose inputs are read."""
        return cls(study, inputs, species, inputs.records(species))

    @property
    def model(self) -> FlightModel:
        """What every fit of the species is made with."""
        asked = self.study.flight_model(self.species)
        return asked if self.flights is None else replace(asked, flights=self.flights)

    @property
    def published(self) -> tuple[PublishedThreshold, ...]:
        """Published thresholds that the study tests on this species."""
        return self.study.published_for(self.species)

    @property
    def day_of_issue(self) -> np.datetime64:
        """Day on which the season forecast is made: as the study says, or the day after the last observation."""
        asked = self.study.forecast.today
        return day_after_last(self.inputs.weather) if asked is None else to_unit(str(asked), "D")

    def fit(self, *, profiles: bool = False, progress: Progress | None = None) -> FlightFit:
        """Fit the flights of the species."""
        provenance = {"inputs": dict(self.inputs.hashes)}
        return fit_flights(
            self.records, self.model, profiles=profiles, provenance=provenance, progress=progress
        )

    def account(self, fit: FlightFit) -> CatchAccount:
        """Return what became of the catches of the species: in the file, used by the fit, and left out."""
        own, _ = species_catches(self.study, self.inputs.catches, self.species)
        file = self.study.shown(self.study.catches.file)
        return catch_account(
            own, self.records.trap_years, fit.data, fit.left_out, species=self.species, file=file
        )

    def settled(self, fit: FlightFit | None = None) -> SpeciesWork:
        """Return the work with its number of flights settled: that of a fit to all records, made here if need be.

        Validation and comparisons with published thresholds are about a given number of flights; folds that each
        chose their own would not forecast the same events.
        """
        if self.flights is not None:
            return self
        numbers = self.model.numbers
        if len(numbers) == 1:
            return replace(self, flights=numbers[0])
        return replace(self, flights=(self.fit() if fit is None else fit).settings.flights)

    def check(self, fit: FlightFit) -> FitChecks:
        """Compute the diagnostics of a fit: older rules, residuals, influence, and the number of flights."""
        evidence = str(fit.provenance.get("flights choice", ""))
        number = fit.settings.flights
        if not evidence and number > 1:
            # A fit of fewer flights takes little time compared with the one that was made; a fit of more flights
            # does not.
            fewer = replace(self, flights=number - 1).fit()
            evidence = flights_evidence([fit, fewer])
        found = check_fit(
            fit,
            self.records,
            min_moths=self.study.validation.min_moths,
            seed=self.study.head.seed,
            flights=evidence,
        )
        part = self.study.flights
        model = replace(self.model, flights=number, curve=fit.settings.curve)
        questions = further_questions(self.records, model, contrasts=part.contrasts, starts=part.starts)
        return replace(found, questions=questions)

    def validate(
        self,
        leave_out: str,
        *,
        thresholds: Sequence[PublishedThreshold] | None = None,
        events: Sequence[str] = (),
        lead_days: Sequence[int] = (),
        draws: int = 400,
        older: Sequence[str] = (),
        fit: FlightFit | None = None,
        executor: Executor | None = None,
        progress: Progress | None = None,
    ) -> pd.DataFrame:
        """Forecast held-out trap-years; what is not given is as the study says.

        Raises
        ------
        ModelError
            If the study fits first catches alone, or nothing can be scored.
        """
        if self.model.records == "first catch":
            raise ModelError(
                "first catches alone say nothing about the events that forecasts are compared with."
            )
        part = self.study.validation
        scheme = Scheme(
            leave_out,
            lead_days=tuple(lead_days or part.lead_days),
            min_moths=part.min_moths,
            blocks=part.blocks,
            first_years=part.first_years,
            draws=draws,
            seed=self.study.head.seed,
        )
        return cross_validate(
            self.records,
            self.model,
            replace(scheme, events=tuple(events)) if events else scheme,
            thresholds=self.published if thresholds is None else thresholds,
            older=tuple(older or part.older),
            fit=fit,
            executor=executor,
            progress=progress,
        )

    def compare(
        self, threshold: PublishedThreshold, *, validation: pd.DataFrame | None, level: float | None = None
    ) -> PublishedComparison:
        """Test a published threshold on the catches of the species."""
        return compare_published(
            self.records, self.model, threshold, validation=validation, level=level, seed=self.study.head.seed
        )
