"""What a run of a study gives; written by the run, read by the page."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd

from phenofit.analysis.fit_checks import FitChecks
from phenofit.analysis.goodness import Goodness, goodness
from phenofit.study.inputs import StudyInputs
from phenofit.study.study_file import Study

if TYPE_CHECKING:
    import xarray as xr

    from phenofit.flight import FlightFit
    from phenofit.forecasting.stage_windows import StageWindow
    from phenofit.records import Records
    from phenofit.validate import PublishedComparison


@dataclass(frozen=True)
class SpeciesResult:
    """Everything about one species.

    Attributes
    ----------
    species : str
        Its name.
    fit : FlightFit
        Base, requirements, spreads and their intervals.
    records : Records
        The catches used, and those left out, with their weather.
    thresholds : pandas.DataFrame
        Fitted and published thresholds, one table.
    comparisons : tuple of PublishedComparison
        The verdict on each published threshold.
    validation : pandas.DataFrame
        One row per fold, flight and forecaster, errors in days.
    scores : pandas.DataFrame
        Scores by forecaster.
    forecast : pandas.DataFrame or None
        Dates of the running season.
    error_map : xarray.Dataset or None
        The map of the held-out error; None where it cannot be made.
    notes : tuple of str
        What the reader must know, one sentence each.
    checks : FitChecks
        The older rules beside the fit, its residuals, the most influential trap-years, the number of flights.
    stages : tuple of StageWindow
        Dates of the stages after the flight, at each place of the forecast; empty where the study names no stages.
    """

    species: str
    fit: FlightFit
    records: Records
    thresholds: pd.DataFrame
    comparisons: tuple[PublishedComparison, ...]
    validation: pd.DataFrame
    scores: pd.DataFrame
    forecast: pd.DataFrame | None = None
    error_map: xr.Dataset | None = None
    notes: tuple[str, ...] = ()
    checks: FitChecks = field(default_factory=FitChecks)
    stages: tuple[StageWindow, ...] = ()

    @property
    def own_forecast(self) -> pd.DataFrame | None:
        """The forecast at the sites where the species was trapped; sites of other species only are left out."""
        forecast = self.forecast
        if forecast is None or forecast.empty:
            return None
        here = forecast["site"].isin(self.records.trap_years.years["site"])
        return forecast[here] if here.any() else forecast

    @property
    def goodness(self) -> Goodness:
        """The verdict of the tests of the fit."""
        return goodness(self.fit, self.checks, self.validation)


@dataclass(frozen=True)
class StudyResult:
    """Everything that a run gave.

    Attributes
    ----------
    study : Study
        The study.
    inputs : StudyInputs
        Its tables and weather.
    species : tuple of SpeciesResult
        The results, species by species.
    truth : mapping or None
        True values behind invented data.
    provenance : mapping
        Versions, settings and hashes.
    filling : str
        How wrong filled temperatures may be, in a sentence; empty where none were filled.
    """

    study: Study
    inputs: StudyInputs
    species: tuple[SpeciesResult, ...]
    truth: Mapping[str, Any] | None = None
    provenance: Mapping[str, Any] = field(default_factory=dict)
    filling: str = ""
