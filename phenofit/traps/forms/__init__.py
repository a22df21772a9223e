"""Forms in which people keep trap records: where intervals start, repeated rows, parts of a table.

``catch_file`` says how a table is kept, ``interval_starts``, ``repeats`` and ``subsets`` carry it out in this order.
"""

from phenofit.traps.forms.catch_file import OVERLAP_RULES, START_RULES, CatchFile
from phenofit.traps.forms.interval_starts import cut_overlaps, interval_starts
from phenofit.traps.forms.repeats import drop_identical, lure_changes, sum_duplicates
from phenofit.traps.forms.subsets import (
    READ_WITH_THE_TABLE,
    Selection,
    Subset,
    left_out_frame,
    select_catches,
)

__all__ = [
    "OVERLAP_RULES",
    "READ_WITH_THE_TABLE",
    "START_RULES",
    "CatchFile",
    "Selection",
    "Subset",
    "cut_overlaps",
    "drop_identical",
    "interval_starts",
    "left_out_frame",
    "lure_changes",
    "select_catches",
    "sum_duplicates",
]
