"""``phenofit report STUDY``: the page of a study, its rounded tables, or a summary for growers."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from phenofit.cli.options import add_out, add_quiet, print_written
from phenofit.cli.progress_lines import show_progress
from phenofit.cli.studies import add_study_file, output_name

if TYPE_CHECKING:
    from phenofit.analysis.results import StudyResult

_FORMS = (
    "md",
    "tex",
    "csv",
)  # as in phenofit.report.exports.result_tables, which would load too much for the help


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_study_file(parser)
    add = parser.add_argument
    add("--summary", action="store_true", help="one printable page for growers, in plain language")
    tables = "rounded tables with intervals and notes: Markdown, LaTeX or CSV"
    add("--tables", choices=_FORMS, metavar="FORM", help=f"{tables} ({', '.join(_FORMS)})")
    add_out(parser, "folder for what is written (default: reports/NAME, as for phenofit run)")
    add_quiet(parser)


def run(args: argparse.Namespace) -> int:
    """Compute the study, write what was asked for, and say where it is."""
    from phenofit.output_folder import run_folder
    from phenofit.report import render_report, write_result_tables, write_summary
    from phenofit.run import compute_study

    out = args.out if args.out is not None else Path("reports") / output_name(args.study)
    page = not (args.summary or args.tables)
    files = ["report.html", "figures/"] if page else []
    files += ["summary.html"] if args.summary else []
    files += ["tables/"] if args.tables else []
    with run_folder(out, "report", files=files) as folder:
        result = compute_study(args.study, progress=None if args.quiet else show_progress())
        folder.run = str(result.provenance["run"])
        written = []
        if page:
            render_report(result, folder.staging)
            written.append("report.html")
        if args.summary:
            write_summary(result, folder.staging / "summary.html", run=folder.run)
            written.append("summary.html")
        if args.tables:
            names = write_result_tables(result, folder.staging / "tables", args.tables)
            written += [f"tables/{name}" for name in names]
    for line in _doubts(result):
        print(line)
    print_written(folder, written)
    return 0


def _doubts(result: StudyResult) -> list[str]:
    """Return what the reader must know before any number."""
    return [
        f"{one.species}: {text}"
        for one in result.species
        for text in (*([one.goodness.sentence()] if one.goodness.warns else []), *one.fit.problems)
    ]
