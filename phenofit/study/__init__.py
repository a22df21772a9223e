"""The study file: one TOML file that drives everything; what it names is read and checked here."""

from phenofit.study.checking import StudySurvey, check_study, survey_study
from phenofit.study.fit_checks import FitChecks, check_fit
from phenofit.study.inputs import StudyInputs, read_inputs, species_catches
from phenofit.study.load import load_study
from phenofit.study.model import FlightSettings, Study
from phenofit.study.results import SpeciesResult, StudyResult

__all__ = [
    "FitChecks",
    "FlightSettings",
    "SpeciesResult",
    "Study",
    "StudyInputs",
    "StudyResult",
    "StudySurvey",
    "check_fit",
    "check_study",
    "load_study",
    "read_inputs",
    "species_catches",
    "survey_study",
]
