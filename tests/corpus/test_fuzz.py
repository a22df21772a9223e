"""Mutated inputs through `check` and `fit`: exit code 0 or 2, soon, and not one moth lost."""

from __future__ import annotations

import contextlib
import io
import sys

import pytest

from phenofit.cli import main
from tests.corpus import fuzz
from tests.corpus.fuzz import Outcome, run_many


def _failures(outcomes: list[Outcome]) -> list[str]:
    return [f"case {o.number} ({'; '.join(o.changed)}): {fault}" for o in outcomes for fault in o.faults]


@pytest.mark.parametrize(("command", "cases"), [("check", 70), ("fit", 4)])
def test_mutated_studies_end_well(command: str, cases: int) -> None:
    """Exit code 0 or 2, and every moth of the file used or left out by name; see `fuzz.py`."""
    outcomes = run_many(range(cases), command)
    assert _failures(outcomes) == []
    codes = {outcome.code for outcome in outcomes}
    assert codes == {0, 2}


@pytest.mark.slow
@pytest.mark.parametrize(("command", "cases"), [("check", 20_000), ("fit", 150)])
def test_many_mutated_studies_end_well(command: str, cases: int) -> None:
    assert _failures(run_many(range(1000, 1000 + cases), command, processes=2)) == []


def test_a_lost_moth_would_be_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """The harness itself: an account that lacks moths, and one that does not add up, are faults."""
    monkeypatch.setattr(fuzz, "phenofit", _losing_moths)
    (outcome,) = run_many([0], "check")
    assert [fault.split(":")[0] for fault in outcome.faults] == [
        "the account does not add up",
        "42 moths in the file; 41 in the account and 0 in the notes",
    ]


def _losing_moths(arguments: list[str]) -> int:
    text = io.StringIO()
    with contextlib.redirect_stdout(text):
        code = main(arguments)
    sys.stdout.write(text.getvalue().replace("42 moths in 12 checks", "41 moths in 12 checks"))
    return code
