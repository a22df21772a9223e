"""Trap and catch tables, the intervals between checks, and the trap-years made of them."""

from phenofit.traps.account import CatchAccount, catch_account, left_out_by_reason, left_out_words
from phenofit.traps.biofix import biofix_starts, read_biofix, since_biofix
from phenofit.traps.catch_table import CATCH_COLUMNS, examine_catches, read_catches
from phenofit.traps.count_cells import BLANK_MEANINGS, CountWords
from phenofit.traps.darwin_core import (
    DARWIN_CORE_TERMS,
    read_darwin_core,
    to_darwin_core,
    write_darwin_core,
)
from phenofit.traps.intervals import LEFT_OUT_REASONS, check_intervals
from phenofit.traps.species import UNLISTED_MEANINGS, catches_of_species, species_key
from phenofit.traps.trap_table import TRAP_COLUMNS, examine_traps, read_traps
from phenofit.traps.years import TrapYears, build_trap_years, trap_places, unknown_trap_problems

__all__ = [
    "BLANK_MEANINGS",
    "CATCH_COLUMNS",
    "DARWIN_CORE_TERMS",
    "LEFT_OUT_REASONS",
    "TRAP_COLUMNS",
    "UNLISTED_MEANINGS",
    "CatchAccount",
    "CountWords",
    "TrapYears",
    "biofix_starts",
    "build_trap_years",
    "catch_account",
    "catches_of_species",
    "check_intervals",
    "examine_catches",
    "examine_traps",
    "left_out_by_reason",
    "left_out_words",
    "read_biofix",
    "read_catches",
    "read_darwin_core",
    "read_traps",
    "since_biofix",
    "species_key",
    "to_darwin_core",
    "trap_places",
    "unknown_trap_problems",
    "write_darwin_core",
]
