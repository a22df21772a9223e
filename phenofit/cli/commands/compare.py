"""``phenofit compare STUDY``: test published thresholds on the catches of a study."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from phenofit.cli.options import add_out, distinct, name_run, print_written
from phenofit.cli.studies import add_study, open_species

if TYPE_CHECKING:
    from phenofit.analysis.species_work import SpeciesWork
    from phenofit.validate import PublishedThreshold

_TABLE = "comparisons.csv"

_COLUMNS = (
    "species", "id", "verdict", "refit_amount", "refit_low", "refit_high", "amount_unit", "amount_inside",
    "refit_base", "base_inside", "base_unit", "lr_statistic", "p_value", "held_out_difference_days",
    "difference_low", "difference_high", "level", "sentence",
)  # fmt: skip


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_study(parser)
    add = parser.add_argument
    also = "a row of the table that comes with phenofit, to test as well"
    add("--id", action="append", metavar="ID", help=also)
    add("--quick", action="store_true", help="without the held-out error in days")
    add_out(parser, "write comparisons.csv into this folder")


def run(args: argparse.Namespace) -> int:
    """Compare, print and write."""
    from phenofit.files import write_csv
    from phenofit.output_folder import optional_run_folder

    with optional_run_folder(args.out, "compare", files=[_TABLE]) as folder:
        works = open_species(args)
        rows = _compare(args, _thresholds(args, works), works)
        if folder is not None:
            folder.run = name_run(args, "compare", works[0].inputs.hashes)
            marked = ({**row, "run": folder.run} for row in rows)
            write_csv(folder.staging / _TABLE, (*_COLUMNS, "run"), marked)
    if folder is not None:
        print_written(folder, [_TABLE])
    return 0


def _thresholds(args: argparse.Namespace, works: list[SpeciesWork]) -> list[tuple[PublishedThreshold, ...]]:
    """Return what is tested on each species: what its study names, and the rows of --id."""
    from phenofit.errors import DataError, ModelError, Problem
    from phenofit.validate import find_published

    distinct("--id", args.id or ())
    more = tuple(row for name in args.id or () for row in find_published(id=name))
    for row in more:
        if all(row.id in {own.id for own in work.published} for work in works):
            raise ModelError(f"--id '{row.id}' has no effect: the study tests this threshold already.")
    found = []
    for work in works:
        own = {row.id for row in work.published}
        found.append((*work.published, *(row for row in more if row.id not in own)))
    if not any(found):
        remedy = "Add a [[published]] entry, or give --id (see: phenofit thresholds)."
        raise DataError(Problem("the study names no published threshold.", remedy, str(args.study)))
    return found


def _compare(
    args: argparse.Namespace, tested: list[tuple[PublishedThreshold, ...]], works: list[SpeciesWork]
) -> list[dict[str, object]]:
    from phenofit.errors import ModelError

    rows: list[dict[str, object]] = []
    for thresholds, unsettled in zip(tested, works, strict=True):
        if not thresholds:
            continue
        work = unsettled.settled()
        validation = None
        if not args.quick:
            try:
                validation = work.validate("year", thresholds=thresholds)
            except ModelError as error:
                print(f"note: no held-out error in days: {error}")
        print(f"{work.species}:")
        for threshold in thresholds:
            found = work.compare(threshold, validation=validation)
            print(f"  {threshold.id}: {found.sentence}")
            names = {"species": work.species, "id": threshold.id}
            rows.append({**found.__dict__, **names, "amount_unit": "degC d", "base_unit": "degC"})
    return rows
