"""The measures as tables, for the screen, ``coverage.md`` and ``coverage.json``."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from tests.benchmarks.coverage_study.judged import BY_REPORT, MET, NOT_MET, Measure, judge, statement_shares
from tests.benchmarks.coverage_study.scenarios import KNOWN
from tests.benchmarks.coverage_study.study import Record

REPORTS = Path(__file__).resolve().parents[3] / "reports"
_COUNTS = ("over 60 days off or undated", "failed")
_NOTE = """Each network has 8 sites, and 5 years unless the scenario says otherwise; its weather is a run of real years.
Each value has its standard error (binomial for shares; networks as clusters for ratios). Coverage is that of 95 %
intervals; an open end holds everything beyond. The requirement is the heat above the true base from 1 January at
which a moth of median heat flies, in expectation over the years of the place. The MAE ratio compares held-out dates
of half the flight (a year left out) with those of an oracle: true parameters, no shift, the weather at the trap.
"""


def markdown(records: Sequence[Record]) -> str:
    """Return the whole report."""
    measures = judge(records)
    names = list(dict.fromkeys(m.scenario for m in measures))
    # The scenario with most measures first, so that those of a second flight stand beside those of the first.
    longest = sorted(names, key=lambda name: -sum(m.scenario == name for m in measures))
    columns = list(dict.fromkeys(m.name for name in longest for m in measures if m.scenario == name))
    targeted = [c for c in columns if any(m.name == c and _bounds(m) for m in measures)]
    others = [c for c in columns if c not in targeted]
    head = [["scenario", *targeted, "verdict"]]
    body = [[n, *(_cell(measures, n, t) for t in targeted), scenario_verdict(measures, n)] for n in names]
    more = [["scenario", *others], *([n, *(_cell(measures, n, t) for t in others)] for n in names)]
    targets = [["scenario", "what is true", *targeted]]
    targets += [[n, KNOWN[n].about, *(_target(measures, n, t) for t in targeted)] for n in names]
    said = [["scenario", "share of fits", "statement"]]
    for scenario, shares in statement_shares(records).items():
        said += [[scenario, f"{100 * share:.0f} %", text] for text, share in shares.items()]
    parts = [
        ("# Coverage of the intervals and held-out error", _NOTE),
        ("## Against the targets", _table(head + body)),
        ("## Targets", _table(targets)),
        ("## Without a target", _table(more)),
        ("## What the fits report", _table(said)),
    ]
    return "\n".join(f"{title}\n\n{text}" for title, text in parts)


def write_reports(records: Sequence[Record], folder: Path = REPORTS) -> None:
    """Write ``coverage.md`` and ``coverage.json``."""
    (folder / "coverage.md").write_text(markdown(records), encoding="utf-8")
    rows = [asdict(m) for m in judge(records)]
    found = {"measures": rows, "statements": statement_shares(records)}
    (folder / "coverage.json").write_text(
        json.dumps(found, indent=1, ensure_ascii=False) + "\n", encoding="utf-8"
    )


def scenario_verdict(measures: Sequence[Measure], scenario: str) -> str:
    """Return whether a scenario meets its targets, and which it does not meet."""
    here = [m for m in measures if m.scenario == scenario and m.verdict]
    missed = [m.name for m in here if m.verdict not in (MET, BY_REPORT)]
    if missed:
        return f"{NOT_MET}: {', '.join(missed)}"
    return BY_REPORT if any(m.verdict == BY_REPORT for m in here) else MET


def _of(measures: Sequence[Measure], scenario: str, name: str) -> Measure | None:
    return next((m for m in measures if (m.scenario, m.name) == (scenario, name)), None)


def _cell(measures: Sequence[Measure], scenario: str, name: str) -> str:
    measure = _of(measures, scenario, name)
    if measure is None:
        return ""
    note = "" if measure.verdict in ("", MET) else f" ({measure.verdict})"
    if name in _COUNTS:
        return f"{measure.value:.0f} of {measure.count}{note}"
    scale, unit, digits = (100.0, " %", 1) if _is_share(name) else (1.0, "", 2)
    error = "" if measure.error is None else f" ± {scale * measure.error:.{digits}f}"
    return f"{scale * measure.value:.{digits}f}{error}{unit} of {measure.count}{note}"


def _target(measures: Sequence[Measure], scenario: str, name: str) -> str:
    measure = _of(measures, scenario, name)
    return "" if measure is None else _bounds(measure)


def _bounds(measure: Measure) -> str:
    """Return the target in words."""
    scale, unit = (100.0, " %") if _is_share(measure.name) else (1.0, "")
    words = [
        f"{sign} {scale * bound:g}{unit}"
        for sign, bound in (("≥", measure.least), ("≤", measure.most))
        if bound is not None
    ]
    return " and ".join(words)


def _is_share(name: str) -> bool:
    return not name.startswith(("width", "MAE", "held-out", "seconds")) and name not in _COUNTS


def _table(rows: Sequence[Sequence[str]]) -> str:
    lines = ["| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |" for row in rows]
    return "\n".join([lines[0], "|" + " --- |" * len(rows[0]), *lines[1:]]) + "\n"
