"""``phenofit validate STUDY``: forecast held-out trap-years and score the errors in days."""

from __future__ import annotations

import argparse
import math
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

from phenofit.cli.options import (
    add_events,
    add_quiet,
    add_scheduler,
    days_ahead,
    distinct,
    known,
    name_run,
    print_written,
)
from phenofit.cli.progress_lines import show_progress
from phenofit.cli.studies import add_study, open_species

if TYPE_CHECKING:
    from concurrent.futures import Executor

    import pandas as pd

    from phenofit.analysis.species_work import SpeciesWork

_TABLES = ("validation.csv", "scores.csv")
_NUMBERS = {
    "bias": "bias_days", "MAE": "mae_days", "RMSE": "rmse_days", "inside": "inside_share",
    "cov80": "coverage80", "cov95": "coverage95", "CRPS": "crps_days", "skill": "skill",
}  # fmt: skip
"""Headings of the printed numbers, and the columns that they show."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_study(parser)
    add = parser.add_argument
    add("--out", type=Path, required=True, metavar="DIR", help="folder for validation.csv, scores.csv")
    add("--leave-out", action="append", metavar="SCHEME", help="what is held out (default: as in the study)")
    ahead = "also forecast so many days ahead"
    add("--lead-days", type=days_ahead, nargs="+", default=[], metavar="DAYS", help=ahead)
    add_events(parser)
    older = "older rules for the base to compare with the fit"
    add("--older", nargs="+", default=[], metavar="RULE", help=older)
    add_scheduler(parser)
    add_quiet(parser)


def run(args: argparse.Namespace) -> int:
    """Validate, write the tables and show the scores."""
    from phenofit.analysis.outputs import write_scores, write_validation
    from phenofit.cluster import threads_or_cluster
    from phenofit.heat.compiled.threads import processors
    from phenofit.output_folder import run_folder

    _check_options(args)
    with (
        run_folder(args.out, "validate", files=_TABLES) as folder,
        threads_or_cluster(args.scheduler, processors()) as executor,
    ):
        works = open_species(args)
        tables, scores = _validate(args, works, executor)
        folder.run = name_run(args, "validate", works[0].inputs.hashes)
        invented = works[0].study.invented
        write_validation(folder.staging / _TABLES[0], tables, invented=invented, run=folder.run)
        write_scores(folder.staging / _TABLES[1], scores, invented=invented, run=folder.run)
    print_written(folder, _TABLES)
    return 0


def _check_options(args: argparse.Namespace) -> None:
    from phenofit.flight.baselines.rule_search import RULES
    from phenofit.forecasting.events import read_event
    from phenofit.validate.schemes import SCHEMES

    known("--leave-out", args.leave_out or (), tuple(SCHEMES), "scheme")
    args.events = [read_event(text) for text in args.events or ()]
    distinct("--events", args.events)
    known("--older", args.older, RULES, "older rule")
    distinct("--lead-days", args.lead_days)


def _validate(
    args: argparse.Namespace, works: list[SpeciesWork], executor: Executor
) -> tuple[list[pd.DataFrame], list[pd.DataFrame]]:
    from phenofit.validate import score_forecasts, trend_test

    progress = None if args.quiet else show_progress()
    tables, scores = [], []
    for work in (one.settled() for one in works):
        for scheme in args.leave_out or work.study.validation.leave_out:
            table = work.validate(
                scheme,
                progress=progress,
                executor=executor,
                # The options take precedence over the study file.
                events=args.events or (),
                lead_days=args.lead_days,
                older=args.older,
            )
            tables.append(table)
            scores.append(score_forecasts(table, seed=work.study.head.seed))
            _print_scores(work.species, scheme, table, scores[-1])
            for line in trend_test(table).itertuples():
                print(f"  drift, flight {line.flight}, {line.event}: {line.sentence}")
    return tables, scores


def _print_scores(species: str, scheme: str, table: pd.DataFrame, scores: pd.DataFrame) -> None:
    print(f"{species}, {scheme} held out; errors in days, positive: forecast late")
    wide = max(map(len, scores["forecaster"])) + 14
    headings = ("flight", "event", "n", *_NUMBERS)
    print(f"  {'forecaster':<{wide}}" + "".join(f"{name:>10}" for name in headings))
    for row in scores.to_dict("records"):
        name = str(row["forecaster"])
        if not math.isnan(row["lead_days"]):
            name += f", {row['lead_days']:.0f} d ahead"
        cells = [row["flight"], row["event"], row["forecasts"]]
        shown = ["" if math.isnan(row[c]) else f"{row[c]:.2f}" for c in _NUMBERS.values()]
        print("  " + f"{name:<{wide}}" + "".join(f"{c:>10}" for c in [*cells, *shown]))
    for name, fold, reason in table.attrs["failed"]:
        print(f"  no forecast by {name} ({fold}): {reason}")
    reasons = Counter(reason for *_, reason in table.attrs["left_out"])
    if reasons:
        listed = "; ".join(f"{reason}: {count}" for reason, count in sorted(reasons.items()))
        print(f"  {reasons.total()} events not scored ({listed})")
