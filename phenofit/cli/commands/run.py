"""``phenofit run STUDY``: the whole job from one study file."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from phenofit.cli.options import add_out, add_quiet, add_scheduler
from phenofit.cli.progress_lines import show_progress
from phenofit.cli.studies import add_study_file, output_name

if TYPE_CHECKING:
    from phenofit.analysis.results import SpeciesResult


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_study_file(parser)
    add_out(
        parser,
        "folder for the page, tables and figures; files of the same names are replaced (default: "
        "reports/NAME, where NAME is the study file's own name, or its folder's if that is 'study')",
    )
    add_scheduler(parser)
    add_quiet(parser)


def run(args: argparse.Namespace) -> int:
    """Run the study and say where its page is."""
    out = args.out if args.out is not None else Path("reports") / output_name(args.study)
    return run_and_print(args.study, out, quiet=args.quiet, scheduler=args.scheduler)


def run_and_print(study: Path, out: Path, *, quiet: bool, scheduler: str | None = None) -> int:
    """Run a study, print its answers in plain words, and say where the page is."""
    from phenofit.run import run_study

    progress = None if quiet else show_progress()
    result = run_study(study, out=out, scheduler=scheduler, progress=progress)
    for species in result.species:
        print(f"\n{species.species}{' (invented data)' if result.study.invented else ''}")
        for line in _answers(species):
            print(f"  - {line}")
    print(f"\npage: {out / 'report.html'}")
    if (out / "field.html").exists():
        print(f"field page, for a phone: {out / 'field.html'}")
    return 0


def _answers(species: SpeciesResult) -> list[str]:
    """Return the main results, in the sentences of the page."""
    from phenofit.report.sentences import (
        base_sentence,
        calendar_sentences,
        error_sentences,
        flight_sentences,
        longest_tested,
        season_sentences,
    )

    night = species.checks.night
    return [
        *calendar_sentences(species),
        *([verdict] if (verdict := species.goodness.sentence()) else []),
        *flight_sentences(species.fit),
        base_sentence(species.fit),
        *(f"Published '{c.threshold.id}' ({c.threshold.words}): {c.verdict}." for c in species.comparisons),
        *error_sentences(species),
        *season_sentences(species.forecast, tested=longest_tested(species.scores)),
        *([species.checks.flights] if "flights choice" in species.fit.provenance else []),
        *([night.sentence()] if night is not None and night.doubtful else []),
        *species.fit.problems,
        *species.checks.records.warnings(),
        *species.notes,
    ]
