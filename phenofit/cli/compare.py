"""``phenofit compare STUDY``: tell whether published thresholds are right here."""

from __future__ import annotations

import argparse
from pathlib import Path

from phenofit.cli.studies import add_study, open_species

__all__ = ["configure", "run"]

_COLUMNS = (
    "species",
    "id",
    "verdict",
    "refit_amount",
    "refit_low",
    "refit_high",
    "amount_unit",
    "amount_inside",
    "refit_base",
    "base_inside",
    "base_unit",
    "lr_statistic",
    "p_value",
    "held_out_difference_days",
    "difference_low",
    "difference_high",
    "level",
    "sentence",
)


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_study(parser)
    parser.add_argument(
        "--id",
        action="append",
        metavar="ID",
        help="a row of the table that comes with phenofit, to test as well",
    )
    parser.add_argument("--quick", action="store_true", help="without the held-out error in days")
    parser.add_argument("--out", type=Path, metavar="DIR", help="write comparisons.csv into this folder")


def run(args: argparse.Namespace) -> int:
    """Compare and tell."""
    from phenofit.run_folder import run_folder

    with run_folder(args.out, "compare"):
        return _run(args)


def _run(args: argparse.Namespace) -> int:
    from phenofit.errors import DataError, ModelError, Problem
    from phenofit.files import write_csv
    from phenofit.validate import compare_published, find_published

    more = tuple(row for name in args.id or () for row in find_published(id=name))
    rows: list[dict[str, object]] = []
    for work in (one.settled() for one in open_species(args)):
        thresholds = (*work.published, *more)
        if not thresholds:
            continue
        validation = None
        if not args.quick:
            try:
                validation = work.validate("year", thresholds=thresholds)
            except ModelError as error:
                print(f"note: no held-out error in days: {error}")
        print(f"{work.species}:")
        for threshold in thresholds:
            found = compare_published(
                work.trap_years,
                work.inputs.weather,
                work.inputs.links,
                threshold,
                **work.model,
                fit_options=work.options,
                validation=validation,
                level=work.study.flight_settings(work.species).level,
                seed=work.study.head.seed,
            )
            print(f"  {threshold.id}: {found.sentence}")
            units = {
                "species": work.species,
                "id": threshold.id,
                "amount_unit": "degC d",
                "base_unit": "degC",
            }
            rows.append({**found.__dict__, **units})
    if not rows:
        raise DataError(
            Problem(
                "the study names no published threshold.",
                "Add a [[published]] entry, or give --id (see: phenofit thresholds).",
                str(args.study),
            )
        )
    if args.out is not None:
        write_csv(args.out / "comparisons.csv", _COLUMNS, rows)
        print(f"written: {args.out / 'comparisons.csv'}")
    return 0
