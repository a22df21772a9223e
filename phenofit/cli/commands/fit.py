"""``phenofit fit STUDY``: base temperature and requirement of each flight, with their intervals."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from phenofit.cli.options import STOPPED, add_out, add_quiet, name_run, print_written
from phenofit.cli.progress_lines import terminal_progress
from phenofit.cli.studies import add_study, open_species

if TYPE_CHECKING:
    from phenofit.flight import FlightFit


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_study(parser)
    add_out(parser, "folder for flights.csv and a fit file of each species (default: print only)")
    add_quiet(parser)


def run(args: argparse.Namespace) -> int:
    """Fit each species, print the summaries, and write the tables where asked."""
    from phenofit.analysis.outputs import write_fit, write_flights
    from phenofit.analysis.record_checks import check_records
    from phenofit.flight import FitInterrupted
    from phenofit.output_folder import optional_run_folder

    progress = terminal_progress(quiet=args.quiet)
    interrupted = False
    with optional_run_folder(args.out, "fit", files=["flights.csv"]) as folder:
        works = open_species(args, progress=progress)
        fits: dict[str, FlightFit] = {}
        for work in works:
            notes = (*work.records.notes, *(() if fits else work.inputs.notes))
            print("".join(f"note: {note}\n" for note in notes), end="")
            try:
                fit = work.fit(profiles=True, progress=progress)
            except FitInterrupted as stop:
                fit, interrupted = stop.fit, True
            print("\n".join(work.account(fit).lines()))
            print(fit.summary())
            if not interrupted:
                print("".join(f"! {text}\n" for text in check_records(fit, work.records).warnings()), end="")
            for choice in ("flights choice", "curve choice"):
                if choice in fit.provenance:
                    print(f"{choice}: {fit.provenance[choice]}")
            print()
            fits[work.species] = fit
            if interrupted:
                break
        written = ["flights.csv"]
        if folder is not None:
            folder.run = name_run(args, "fit", works[0].inputs.hashes)
            invented = works[0].study.invented
            write_flights(folder.staging / written[0], fits, invented=invented, run=folder.run)
            written += [
                write_fit(folder.staging, name, fit, run=folder.run).name for name, fit in fits.items()
            ]
    if folder is not None:
        print_written(folder, written)
    if not interrupted:
        return 0
    rest = [work.species for work in works[len(fits) :]]
    lacking = f"; {', '.join(rest)} not fitted" if rest else ""
    print(f"phenofit: stopped while intervals were computed{lacking}.", file=sys.stderr)
    return STOPPED
