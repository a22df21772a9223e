"""``phenofit validate STUDY``: forecast held-out trap-years and score the errors in days."""

from __future__ import annotations

import argparse
import math
import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from phenofit.cli.commands.run import show_progress
from phenofit.cli.options import days_ahead, distinct, known, name_run, tell_written
from phenofit.cli.studies import add_study, open_species

if TYPE_CHECKING:
    import pandas as pd

    from phenofit.analysis.species_work import SpeciesWork

_TABLES = ("validation.csv", "scores.csv")
_SHOWN = (
    "forecaster",
    "flight",
    "event",
    "n",
    "bias",
    "MAE",
    "RMSE",
    "inside",
    "cov80",
    "cov95",
    "CRPS",
    "skill",
)


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_study(parser)
    parser.add_argument(
        "--out", type=Path, required=True, metavar="DIR", help="folder for validation.csv, scores.csv"
    )
    parser.add_argument(
        "--leave-out", action="append", metavar="SCHEME", help="what is held out (default: as in the study)"
    )
    parser.add_argument(
        "--lead-days",
        type=days_ahead,
        nargs="+",
        default=[],
        metavar="DAYS",
        help="also forecast so many days ahead",
    )
    parser.add_argument(
        "--events", nargs="+", metavar="EVENT", help="events (default: 5, 50 and 95 %% of a flight)"
    )
    parser.add_argument(
        "--older",
        nargs="+",
        default=[],
        metavar="RULE",
        help="older rules for the base to stand beside the fit",
    )
    parser.add_argument("--quiet", action="store_true", help="do not tell each step")


def run(args: argparse.Namespace) -> int:
    """Validate, write the tables and show the scores."""
    from phenofit.analysis.outputs import write_scores, write_validation
    from phenofit.output_folder import run_folder

    _check_options(args)
    with run_folder(args.out, "validate", files=_TABLES) as folder:
        works = open_species(args)
        tables, scores = _validate(args, works)
        folder.run = name_run(args, "validate", works[0].inputs.hashes)
        for name, write, parts in zip(
            _TABLES, (write_validation, write_scores), (tables, scores), strict=True
        ):
            write(folder.staging / name, parts, invented=works[0].study.invented, run=folder.run)
    tell_written(folder, _TABLES)
    return 0


def _check_options(args: argparse.Namespace) -> None:
    from phenofit.flight.baselines.rule_search import RULES
    from phenofit.forecasting.events import EVENTS
    from phenofit.validate.schemes import SCHEMES

    known("--leave-out", args.leave_out or (), tuple(SCHEMES), "scheme")
    known("--events", args.events or (), EVENTS, "flight event")
    known("--older", args.older, RULES, "older rule")
    distinct("--lead-days", args.lead_days)


def _validate(
    args: argparse.Namespace, works: list[SpeciesWork]
) -> tuple[list[pd.DataFrame], list[pd.DataFrame]]:
    from phenofit.validate import drift_test, score_forecasts

    tell = None if args.quiet else show_progress()
    tables, scores = [], []
    with ThreadPoolExecutor(os.cpu_count() or 1) as executor:
        for work in (one.settled() for one in works):
            for scheme in args.leave_out or work.study.validation.leave_out:
                table = work.validate(
                    scheme,
                    progress=tell,
                    executor=executor,
                    # What the call names goes before what the study says.
                    events=args.events or (),
                    lead_days=args.lead_days,
                    older=args.older,
                )
                tables.append(table)
                scores.append(score_forecasts(table, seed=work.study.head.seed))
                _tell(work.species, scheme, table, scores[-1])
                for line in drift_test(table).itertuples():
                    print(f"  drift, flight {line.flight}, {line.event}: {line.sentence}")
    return tables, scores


def _tell(species: str, scheme: str, table: pd.DataFrame, scores: pd.DataFrame) -> None:
    print(f"{species}, {scheme} held out; errors in days, positive: forecast late")
    wide = max(map(len, scores["forecaster"])) + 14
    print("  " + f"{_SHOWN[0]:<{wide}}" + "".join(f"{name:>10}" for name in _SHOWN[1:]))
    for row in scores.to_dict("records"):
        name = str(row["forecaster"])
        if not math.isnan(row["lead_days"]):
            name += f", {row['lead_days']:.0f} d ahead"
        cells = [row["flight"], row["event"], row["forecasts"]]
        numbers = [
            row[c]
            for c in (
                "bias_days",
                "mae_days",
                "rmse_days",
                "inside_share",
                "coverage80",
                "coverage95",
                "crps_days",
                "skill",
            )
        ]
        shown = ["" if math.isnan(v) else f"{v:.2f}" for v in numbers]
        print("  " + f"{name:<{wide}}" + "".join(f"{c:>10}" for c in [*cells, *shown]))
    for name, fold, reason in table.attrs["failed"]:
        print(f"  no forecast by {name} ({fold}): {reason}")
    left = len(table.attrs["left_out"])
    if left:
        reasons: dict[str, int] = {}
        for *_, reason in table.attrs["left_out"]:
            reasons[reason] = reasons.get(reason, 0) + 1
        told = "; ".join(f"{reason}: {count}" for reason, count in sorted(reasons.items()))
        print(f"  {left} events not scored ({told})")
