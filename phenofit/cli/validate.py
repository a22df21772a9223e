"""``phenofit validate STUDY``: forecast held-out trap-years and score the errors in days."""

from __future__ import annotations

import argparse
import math
import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from phenofit.cli.run import show_progress
from phenofit.cli.studies import add_study, open_species

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["configure", "run"]

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
        type=int,
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
    from phenofit.run_folder import run_folder

    with run_folder(args.out, "validate"):
        return _run(args)


def _run(args: argparse.Namespace) -> int:
    from phenofit.errors import ModelError
    from phenofit.outputs import write_scores, write_validation
    from phenofit.validate import drift_test, score_forecasts

    wrong = [lead for lead in args.lead_days if not 0 <= lead <= 365]
    if wrong:
        raise ModelError(f"--lead-days {wrong[0]}: write whole numbers of days from 0 to 365.")
    # What the call names goes before what the study says.
    asked = {"events": args.events, "lead_days": args.lead_days, "older": args.older}
    more = {name: tuple(values) for name, values in asked.items() if values}
    tell = None if args.quiet else show_progress()
    tables, scores, invented = [], [], False
    with ThreadPoolExecutor(os.cpu_count() or 1) as executor:
        for work in (one.settled() for one in open_species(args)):
            invented = work.study.invented
            for scheme in args.leave_out or work.study.validation.leave_out:
                table = work.validate(
                    scheme,
                    progress=tell,
                    executor=executor,
                    **more,
                )
                tables.append(table)
                scores.append(score_forecasts(table, seed=work.study.head.seed))
                _tell(work.species, scheme, table, scores[-1])
                for line in drift_test(table).itertuples():
                    print(f"  drift, flight {line.flight}, {line.event}: {line.sentence}")
    write_validation(args.out / "validation.csv", tables, invented=invented)
    write_scores(args.out / "scores.csv", scores, invented=invented)
    print(f"written: {args.out / 'validation.csv'}, {args.out / 'scores.csv'}")
    return 0


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
