"""``phenofit thresholds``: list the published thresholds, and why some cannot be tested."""

from __future__ import annotations

import argparse
from pathlib import Path


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add = parser.add_argument
    add("--species", metavar="TEXT", help="part of the common or scientific name")
    add("--event", metavar="EVENT", help="one event, such as flight_50 or first_catch")
    add("--id", metavar="ID", help="one row, with its source and notes")
    add("--usable", action="store_true", help="only rows that trap catches can test")
    add("--table", type=Path, metavar="FILE", help="your own table in the same columns")
    add("--csv", type=Path, metavar="FILE", help="write the rows to a table as well")


def run(args: argparse.Namespace) -> int:
    """List the rows."""
    from phenofit.files import write_csv
    from phenofit.output_folder import check_writable
    from phenofit.validate import PUBLISHED_COLUMNS, find_published, load_published, read_published

    check_writable(args.csv)
    table = load_published() if args.table is None else read_published(args.table)
    rows = find_published(table, id=args.id, species=args.species, event=args.event, usable=args.usable)
    for row in rows:
        print(f"{row.id}")
        print(f"    {row.species}, {row.event}, flight {row.flight or 'not stated'}: {row.words}")
        if row.unusable is not None:
            print(f"    cannot be tested: {row.unusable}")
        if args.id is not None:
            for name in ("region", "source", "url", "notes"):
                if getattr(row, name):
                    print(f"    {name}: {getattr(row, name)}")
            print(f"    known: {row.known}")
        if row.fault:
            print(f"    in print: {row.fault}")
    usable = sum(row.unusable is None for row in rows)
    print(f"{len(rows)} of {len(table)} rows; {usable} of them can be tested on catches.")
    if args.csv is not None:
        write_csv(args.csv, PUBLISHED_COLUMNS, ([_cell(row, c) for c in PUBLISHED_COLUMNS] for row in rows))
        print(f"written: {args.csv}")
    return 0


def _cell(row: object, column: str) -> object:
    value = getattr(row, column)
    return f"{value:.6g} degC" if column in ("base", "upper") and value is not None else value
