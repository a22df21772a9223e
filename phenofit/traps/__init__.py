"""Trap and catch tables, the intervals between checks, and the trap-years made of them."""

from phenofit.files.text_table import Wide
from phenofit.traps.biofix import read_biofix
from phenofit.traps.catch_table import CATCH_COLUMNS, read_catches
from phenofit.traps.count_cells import BLANK_MEANINGS, CountWords
from phenofit.traps.darwin_core import DARWIN_CORE_TERMS, read_darwin_core, to_darwin_core, write_darwin_core
from phenofit.traps.forms import CatchFile
from phenofit.traps.intervals import LEFT_OUT_REASONS
from phenofit.traps.sampling_events import split_events
from phenofit.traps.species import UNLISTED_MEANINGS, catches_of_species
from phenofit.traps.trap_table import TRAP_COLUMNS, read_traps
from phenofit.traps.years import TrapYears, build_trap_years

__all__ = [
    "BLANK_MEANINGS",
    "CATCH_COLUMNS",
    "DARWIN_CORE_TERMS",
    "LEFT_OUT_REASONS",
    "TRAP_COLUMNS",
    "UNLISTED_MEANINGS",
    "CatchFile",
    "CountWords",
    "TrapYears",
    "Wide",
    "build_trap_years",
    "catches_of_species",
    "read_biofix",
    "read_catches",
    "read_darwin_core",
    "read_traps",
    "split_events",
    "to_darwin_core",
    "write_darwin_core",
]
