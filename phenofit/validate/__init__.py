"""Published thresholds and validation on data that the fit has not seen."""

from phenofit.validate.comparison.published_check import compare_published
from phenofit.validate.comparison.published_comparison import PublishedComparison
from phenofit.validate.cross import cross_validate
from phenofit.validate.observed import Observed, observed_events, split_heat
from phenofit.validate.requirement_trend import pit_histogram, reliability, trend_test
from phenofit.validate.rows import VALIDATION_COLUMNS
from phenofit.validate.schemes import SCHEMES, Fold, Scheme, make_folds
from phenofit.validate.scores import (
    SCORE_COLUMNS,
    crps_draws,
    crps_normal,
    interval_log_score,
    paired_difference,
    score_forecasts,
    skill,
)
from phenofit.validate.thresholds.published_table import (
    PUBLISHED_COLUMNS,
    find_published,
    load_published,
    read_published,
    threshold_from_record,
)
from phenofit.validate.thresholds.threshold import PublishedThreshold

__all__ = [
    "PUBLISHED_COLUMNS",
    "SCHEMES",
    "SCORE_COLUMNS",
    "VALIDATION_COLUMNS",
    "Fold",
    "Observed",
    "PublishedComparison",
    "PublishedThreshold",
    "Scheme",
    "compare_published",
    "cross_validate",
    "crps_draws",
    "crps_normal",
    "find_published",
    "interval_log_score",
    "load_published",
    "make_folds",
    "observed_events",
    "paired_difference",
    "pit_histogram",
    "read_published",
    "reliability",
    "score_forecasts",
    "skill",
    "split_heat",
    "threshold_from_record",
    "trend_test",
]
