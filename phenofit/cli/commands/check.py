"""``phenofit check STUDY``: read a study's inputs, list every problem, compute nothing."""

from __future__ import annotations

import argparse
import math
import sys
from typing import TYPE_CHECKING

from phenofit.cli.options import in_columns
from phenofit.cli.studies import add_study_file

if TYPE_CHECKING:
    import pandas as pd


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    add_study_file(parser)


def run(args: argparse.Namespace) -> int:
    """List the problems (exit code 2), or say what was read (exit code 0)."""
    from phenofit.errors import problem_lines
    from phenofit.study import survey_study

    survey = survey_study(args.study)
    for line in survey.lines:
        print(line)
    if survey.links is not None:
        print("weather station of each trap:")
        print("\n".join(f"  {line}" for line in in_columns(_link_rows(survey.links))))
    for note in survey.notes:
        print(f"note: {note}")
    if survey.problems:
        sys.stdout.flush()
        count = len(survey.problems)
        print(f"{args.study}: {count} problem{'s' if count > 1 else ''}", file=sys.stderr)
        for line in problem_lines(survey.problems):
            print(f"  {line}", file=sys.stderr)
        return 2
    print(f"{args.study}: no problems")
    return 0


def _link_rows(links: pd.DataFrame) -> list[tuple[str, ...]]:
    """Return the links as cells of text; a height that is not known is a dash."""
    rows: list[tuple[str, ...]] = [("trap", "station", "distance [km]", "trap above station [m]", "how")]
    for link in links.to_dict("records"):
        height, distance = link["height_difference_m"], link["distance_km"]
        far = f"{distance:.1f}" if math.isfinite(distance) else "-"
        above = f"{height:+.0f}" if math.isfinite(height) else "-"
        rows.append((str(link["trap"]), str(link["station"]), far, above, str(link["how"])))
    return rows
