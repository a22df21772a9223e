"""The study file: one TOML file that drives everything; what it names is read and checked here."""

from phenofit.study.checking import StudySurvey, check_study, survey_study
from phenofit.study.inputs import StudyInputs, read_inputs, read_records, species_catches
from phenofit.study.load import load_study
from phenofit.study.study_file import Study

__all__ = [
    "Study",
    "StudyInputs",
    "StudySurvey",
    "check_study",
    "load_study",
    "read_inputs",
    "read_records",
    "species_catches",
    "survey_study",
]
