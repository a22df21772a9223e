"""Mutated studies through the commands: exit code 0 or 2, and no count changed without a finding."""

from __future__ import annotations

import pytest

from tests.fuzz_studies import run_many


def _faults(command: str, numbers: range, processes: int = 1) -> dict[int, list[str]]:
    found = run_many(list(numbers), command, processes=processes)
    assert len(found) == len(numbers)
    assert any(outcome.code == 0 for outcome in found)
    assert any(outcome.code == 2 for outcome in found)
    return {outcome.number: outcome.faults for outcome in found if outcome.faults}


@pytest.mark.parametrize(("command", "cases"), [("check", 60), ("fit", 12)])
def test_mutated_studies_end_with_a_finding_or_an_account(command: str, cases: int) -> None:
    assert _faults(command, range(20_000, 20_000 + cases)) == {}


@pytest.mark.slow
@pytest.mark.parametrize(("command", "cases"), [("check", 1000), ("fit", 100)])
def test_many_mutated_studies(command: str, cases: int) -> None:
    assert _faults(command, range(cases), processes=2) == {}
