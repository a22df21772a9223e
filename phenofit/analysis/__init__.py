"""What is done with a study: species by species, its tables and its fit files.

``species_work`` fits, validates and compares one species as the study file says; ``fit_checks`` and
``record_checks`` make the diagnostics of a fit, and ``goodness`` judges them; ``further_questions`` tests contrasts
and start dates; ``filling_estimate`` gives the error of filled days; ``thresholds_table`` puts fitted and published
thresholds side by side; ``outputs`` writes everything at fixed names; ``results`` is what the page reads.
"""

from phenofit.analysis.fit_checks import FitChecks, check_fit
from phenofit.analysis.results import SpeciesResult, StudyResult
from phenofit.analysis.species_work import SpeciesWork

__all__ = ["FitChecks", "SpeciesResult", "SpeciesWork", "StudyResult", "check_fit"]
