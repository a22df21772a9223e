"""``phenofit run STUDY``: the whole job from one study file."""

from __future__ import annotations

import argparse
import re
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from phenofit.analysis.results import SpeciesResult


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of ``phenofit run``."""
    parser.add_argument("study", metavar="STUDY", type=Path, help="study file (TOML)")
    parser.add_argument(
        "--out",
        metavar="DIR",
        type=Path,
        help="folder for the page, tables and figures; files of the same names are replaced (default: "
        "reports/NAME, where NAME is the study file's own name, or its folder's if that is 'study')",
    )
    parser.add_argument("--quiet", action="store_true", help="do not tell each step")


def run(args: argparse.Namespace) -> int:
    """Run the study and say where its page is."""
    out = args.out if args.out is not None else Path("reports") / _name_of(args.study)
    return run_and_tell(args.study, out, quiet=args.quiet)


def run_and_tell(study: Path, out: Path, *, quiet: bool) -> int:
    """Run a study, print its answers in plain words, and say where the page is."""
    from phenofit.run import run_study

    result = run_study(study, out=out, progress=None if quiet else show_progress())
    for species in result.species:
        print(f"\n{species.species}{' (invented data)' if result.study.invented else ''}")
        for line in _answers(species):
            print(f"  - {line}")
    print(f"\npage: {out / 'report.html'}")
    return 0


def _answers(species: SpeciesResult) -> list[str]:
    """Return what the user came for, in the sentences of the page."""
    from phenofit.report.sentences import base_sentence, error_sentences, flight_sentences, season_sentences

    return [
        *flight_sentences(species.fit),
        base_sentence(species.fit),
        *(f"Published '{c.threshold.id}' ({c.threshold.words}): {c.verdict}." for c in species.comparisons),
        *error_sentences(species),
        *season_sentences(species.forecast),
        *([species.checks.flights] if "flights choice" in species.fit.provenance else []),
        *species.fit.problems,
        *species.notes,
    ]


def show_progress() -> Callable[[str], None]:
    """Return a function that tells a step on the error stream, with the seconds gone by."""
    started = time.monotonic()

    def tell(step: str) -> None:
        print(f"[{time.monotonic() - started:5.1f} s] {step}", file=sys.stderr, flush=True)

    return tell


def _name_of(study: Path) -> str:
    stem = study.resolve().parent.name if study.stem == "study" else study.stem
    return re.sub(r"[^\w.-]+", "-", stem).strip("-.") or "study"
