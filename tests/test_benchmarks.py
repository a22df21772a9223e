"""The frame of the benchmarks: every subject gives rows, the history says what became slower, no machine is named."""

from __future__ import annotations

import importlib
import inspect
import json
import platform
from pathlib import Path
from typing import Any

import pytest

from tests.benchmarks import __main__ as command
from tests.benchmarks.history import append, entry, falls, last_like, read_history
from tests.benchmarks.measured import Row, against, best


def _run(
    ratio: float | None, *, name: str = "a fit", scale: str = "full", date: str = "2026-01-01"
) -> dict[str, Any]:
    rows = {"flight": [Row(name, 2.0, "s", "a peer", ratio)]}
    return entry(rows, scale=scale, date=date, load=0.1)


def test_every_subject_returns_rows_by_size() -> None:
    for subject in command.SUBJECTS:
        module = importlib.import_module(f"tests.benchmarks.bench_{subject}")
        assert list(inspect.signature(module.rows).parameters) == ["small"], subject
        assert module.__doc__


def test_a_ratio_is_the_time_of_the_peer_over_ours() -> None:
    assert against("x", 0.5, "peer", 2.0) == Row("x", 0.5, "s", "peer", 4.0)


def test_the_best_of_a_few_runs_counts_every_run() -> None:
    calls: list[int] = []
    assert best(lambda: calls.append(1), 4) >= 0.0
    assert len(calls) == 4


@pytest.mark.parametrize(
    ("now", "told"), [(10.0, False), (8.01, False), (7.99, True), (30.0, False), (None, False)]
)
def test_a_fall_of_more_than_a_fifth_is_told(now: float | None, told: bool) -> None:
    found = falls(_run(10.0), _run(now))
    assert bool(found) is told
    if told:
        assert found == ["flight: a fit: ratio 7.99, was 10 on 2026-01-01 (a peer)"]


def test_what_was_not_measured_before_has_not_fallen() -> None:
    assert not falls(_run(10.0, name="another"), _run(1.0))
    assert not falls(_run(None), _run(1.0))


def test_the_history_is_compared_on_one_kind_of_machine_and_scale(tmp_path: Path) -> None:
    path = tmp_path / "benchmarks.jsonl"
    assert read_history(path) == []
    elsewhere = {**_run(50.0, date="2026-01-04"), "machine": {"processor": "another"}}
    for run in (
        _run(9.0),
        _run(10.0, date="2026-01-02"),
        _run(40.0, scale="small", date="2026-01-03"),
        elsewhere,
    ):
        append(path, run)
    kept = read_history(path)
    assert len(kept) == 4
    before = last_like(kept, _run(1.0))
    assert before is not None
    assert before["date"] == "2026-01-02"
    assert last_like(kept, _run(1.0, scale="another")) is None


def test_a_run_names_no_machine_and_no_folder() -> None:
    text = json.dumps(_run(2.0))
    assert str(Path.home()) not in text
    assert str(Path.cwd()) not in text
    words = {word for value in _run(2.0)["machine"].values() for word in value.split()}
    assert platform.node() not in words


def test_a_whole_run_prints_keeps_and_draws(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    ratios = iter([4.0] * len(command.SUBJECTS) + [1.0] * len(command.SUBJECTS))

    def measured(_subject: str, *, small: bool) -> list[Row]:
        assert small
        return [Row("work", 1.0, "s", "peer", next(ratios))]

    monkeypatch.setattr(command, "measure", measured)
    command.main(["--small", "--out", str(tmp_path)])
    assert "slower" not in capsys.readouterr().out
    command.main(["--small", "--out", str(tmp_path)])
    assert capsys.readouterr().out.count("slower: ") == len(command.SUBJECTS)
    assert len(read_history(tmp_path / "benchmarks.jsonl")) == 2
    assert (tmp_path / "benchmarks.png").read_bytes().startswith(b"\x89PNG")
    assert json.loads((tmp_path / "benchmarks.json").read_text("utf-8"))["scale"] == "small"


@pytest.mark.slow
def test_a_subject_is_measured_in_a_process_of_its_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command.main(["--small", "--only", "forecast", "--out", str(tmp_path)])
    text = capsys.readouterr().out
    assert "forecast of 4 sites" in text
    assert "highest memory" in text
    assert not list(tmp_path.iterdir()), "some subjects alone are no entry of the history"
