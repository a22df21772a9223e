"""``phenofit check STUDY``: read a study's inputs, list every problem, say what a fit would use, compute nothing."""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from phenofit.cli.options import in_columns, refuse_unused
from phenofit.cli.studies import add_study_file

if TYPE_CHECKING:
    import pandas as pd

    from phenofit.errors import Problem
    from phenofit.study import StudySurvey

_MOST_TRAPS = 30  # traps listed without --all


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_study_file(parser)
    parser.add_argument(
        "--all", action="store_true", help="list each row with a problem, each note and each trap"
    )
    parser.add_argument("--json", action="store_true", help="print the result as JSON, for programs")
    parser.add_argument(
        "--picture",
        type=Path,
        metavar="FILE",
        help="draw the records by trap and week into FILE (.png or .svg); without it no file is written",
    )
    parser.add_argument(
        "--occurrences",
        type=Path,
        metavar="FOLDER",
        help="write the catches in Darwin Core terms into FOLDER, as [occurrences] of the study asks",
    )


def run(args: argparse.Namespace) -> int:
    """List the problems (exit code 2), or say what was read and what a fit would use (exit code 0)."""
    from phenofit.study import survey_study

    if args.json:
        refuse_unused(args, ["all"], "on JSON, which has every row")
    if args.picture is not None:
        _require_ending(args.picture)
    survey = survey_study(args.study)
    if args.json:
        print(survey.to_json())
    else:
        _print_survey(survey, every=args.all)
    if args.picture is not None and survey.records:
        _draw(survey, args.picture)
    if args.picture is not None and not args.json:
        print(
            f"written: {args.picture}"
            if survey.records
            else f"not written: {args.picture}; no records could be read"
        )
    if survey.problems:
        sys.stdout.flush()
        count = len(survey.problems)
        print(f"{args.study}: {count} problem{'s' if count > 1 else ''}", file=sys.stderr)
        for line in () if args.json else _lines(survey.problems, every=args.all):
            print(f"  {line}", file=sys.stderr)
        return 2
    if args.occurrences is not None:
        _write_occurrences(args, survey)
    if not args.json:
        print(f"{args.study}: no problems")
    return 0


def _write_occurrences(args: argparse.Namespace, survey: StudySurvey) -> None:
    from phenofit.analysis.outputs import EVENTS, OCCURRENCES, write_occurrences
    from phenofit.cli.options import name_run, print_written
    from phenofit.errors import ModelError
    from phenofit.output_folder import run_folder
    from phenofit.study import load_study

    part = load_study(args.study).occurrences
    if part is None:
        raise ModelError(
            "--occurrences needs the table [occurrences] in the study file, with sampling_protocol and geodetic_datum."
        )
    with run_folder(args.occurrences, "check", files=(OCCURRENCES, EVENTS)) as folder:
        folder.run = name_run(args, "check", {})
        written = write_occurrences(part, survey.records, folder.staging)
    if not args.json:
        print_written(folder, written)


def _print_survey(survey: StudySurvey, *, every: bool) -> None:
    from phenofit.errors import Problem

    for line in survey.lines:
        print(line)
    if survey.traps is not None:
        print("weather and check intervals of each trap:")
        shown = len(survey.traps) if every else _MOST_TRAPS
        print("\n".join(f"  {line}" for line in in_columns(_trap_rows(survey.traps.head(shown)))))
        if len(survey.traps) > shown:
            print(f"  and {len(survey.traps) - shown} more traps; --all lists each")
    if survey.longest is not None:
        print("longest check intervals:")
        print("\n".join(f"  {line}" for line in in_columns(_longest_rows(survey.longest))))
    for line in _lines([Problem(note, "") for note in survey.notes], every=every):
        print(f"note: {line}")
    for account in survey.accounts:
        print("\n".join(account.lines()))


def _lines(problems: Sequence[Problem], *, every: bool) -> list[str]:
    """Return each problem as a line, or each kind of problem."""
    from phenofit.errors import problem_lines

    return [str(problem) for problem in problems] if every else problem_lines(problems)


def _trap_rows(traps: pd.DataFrame) -> list[tuple[str, ...]]:
    """Return the traps as cells of text, columns that are not known left out; a value that is not known is a dash."""
    columns = {
        "trap": ("trap", "{}"),
        "station": ("station", "{}"),
        "distance_km": ("distance [km]", "{:.1f}"),
        "height_difference_m": ("trap above station [m]", "{:+.0f}"),
        "how": ("how", "{}"),
        "share_covered": ("season days covered [%]", "{:.0f}"),
        "offset": ("station above neighbours [°C]", "{:+.1f}"),
        "checks": ("intervals", "{:.0f}"),
        "median_days": ("median [d]", "{:.1f}"),
        "longest_days": ("longest [d]", "{:.1f}"),
    }
    known = {name: form for name, form in columns.items() if name in traps}
    rows = [tuple(head for head, _ in known.values())]
    for trap in traps.assign(**_percent(traps)).to_dict("records"):
        rows.append(tuple(_text(trap[name], form) for name, (_, form) in known.items()))
    return rows


def _percent(traps: pd.DataFrame) -> dict[str, pd.Series]:
    # Rounded down: a season that lacks a day is never shown as covered.
    return {"share_covered": (100 * traps["share_covered"]) // 1} if "share_covered" in traps else {}


def _text(value: object, form: str) -> str:
    missing = value is None or (isinstance(value, float) and not math.isfinite(value))
    return "-" if missing else form.format(value)


def _longest_rows(longest: pd.DataFrame) -> list[tuple[str, ...]]:
    names = ["trap", "start", "end", "days", "row"]
    if longest["species"].nunique() > 1:
        names.insert(0, "species")
    rows = [tuple(names)]
    for row in longest.to_dict("records"):
        cells = {**row, "start": f"{row['start']:%Y-%m-%d}", "end": f"{row['end']:%Y-%m-%d}"}
        cells["days"] = f"{row['days']:.1f}"
        rows.append(tuple(str(cells[name]) for name in names))
    return rows


def _require_ending(path: Path) -> None:
    from phenofit.errors import ModelError

    if path.suffix.lower() not in (".png", ".svg"):
        raise ModelError(f"--picture '{path}' must end in .png or .svg.")


def _draw(survey: StudySurvey, path: Path) -> None:
    from phenofit.files.pictures import save_figure
    from phenofit.records import records_figure

    save_figure(records_figure(list(survey.records.values())), path, dpi="figure")
