"""``phenofit fit STUDY``: base temperature and requirement of each flight, with their intervals."""

from __future__ import annotations

import argparse
from pathlib import Path

from phenofit.cli.studies import add_study, open_species

__all__ = ["configure", "run"]


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of ``phenofit fit``."""
    add_study(parser)
    parser.add_argument(
        "--out",
        metavar="DIR",
        type=Path,
        help="folder for flights.csv and a fit file of each species (default: print only)",
    )


def run(args: argparse.Namespace) -> int:
    """Fit each species, print the summaries, and write the tables where asked."""
    from phenofit.outputs import write_fit, write_flights
    from phenofit.run_folder import run_folder

    fits, invented = {}, False
    with run_folder(args.out, "fit"):
        for work in open_species(args):
            fit = work.fit(profiles=True)
            print("\n".join(work.account(fit).lines()))
            print(fit.summary())
            for choice in ("flights choice", "curve choice"):
                if choice in fit.provenance:
                    print(f"{choice}: {fit.provenance[choice]}")
            print()
            fits[work.species] = fit
            invented = work.study.invented
        if args.out is not None:
            write_flights(args.out / "flights.csv", fits, invented=invented)
            for species, fit in fits.items():
                write_fit(args.out, species, fit)
            print(f"written: {args.out / 'flights.csv'} and {len(fits)} fit file(s)")
    return 0
