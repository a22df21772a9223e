"""``phenofit page STUDY``: one file for a phone, with the dates of this season at every place."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from phenofit.cli.options import add_quiet, add_stages, add_today, name_run
from phenofit.cli.progress_lines import show_progress
from phenofit.cli.studies import add_study, day_of_issue, fit_of_species, open_species

if TYPE_CHECKING:
    import pandas as pd

    from phenofit.analysis.species_work import SpeciesWork
    from phenofit.flight import FlightFit
    from phenofit.progress import Progress
    from phenofit.records import Records


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_study(parser)
    add = parser.add_argument
    add_today(
        parser,
        "day of issue, year-month-day (default: as in the study, else the day after the last observation)",
    )
    add("--fit", type=Path, metavar="FILE", help="fit file to use; without it the study is fitted")
    add_stages(parser)
    add("--out", type=Path, default=Path("field.html"), metavar="FILE", help="the page (default: field.html)")
    add_quiet(parser)


def run(args: argparse.Namespace) -> int:
    """Compute, write and say where the page is."""
    from phenofit.errors import ModelError
    from phenofit.field import write_field_page
    from phenofit.forecasting.stage_windows import read_stage_lags
    from phenofit.output_folder import check_writable

    if args.out.suffix.lower() not in (".html", ".htm"):
        raise ModelError(f"--out '{args.out}' is no page; give a file name that ends in .html.")
    check_writable(args.out)
    progress = None if args.quiet else show_progress()
    given_stages = None if args.stages is None else read_stage_lags(args.stages)
    works = open_species(args, progress=progress)
    remedy = "Choose the species with --species, or its own fit file."
    given = None if args.fit is None else fit_of_species(args.fit, (w.species for w in works), remedy)
    today = str(day_of_issue(args.today, works[0]))
    parts = [_part(work.settled(given), given, progress) for work in works]
    failed = write_field_page(
        args.out,
        parts,
        today=today,
        title=works[0].study.title,
        invented=works[0].study.invented,
        run=name_run(args, "page", {**works[0].inputs.hashes, "day of issue": today}),
        seed=works[0].study.head.seed,
        stages=works[0].inputs.stages if given_stages is None else given_stages,
    )
    for site, reason in failed:
        print(f"no dates for {site}: {reason}")
    print(f"written: {args.out}")
    return 0


def _part(
    work: SpeciesWork, given: FlightFit | None, progress: Progress | None
) -> tuple[FlightFit, Records, pd.DataFrame]:
    """Return fit, records and past errors of one species."""
    import pandas as pd

    from phenofit.errors import ModelError

    fit = given or work.fit(progress=progress)
    try:
        table = work.validate(work.study.validation.leave_out[0], thresholds=(), fit=fit, progress=progress)
    except ModelError as error:
        print(f"no past errors of {work.species}: {error}")
        table = pd.DataFrame()
    return fit, work.records, table
