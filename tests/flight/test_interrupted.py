"""Ctrl-C while the intervals are computed: the estimates are kept, and what is missing is named."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import pytest

from phenofit.cli import main
from phenofit.cli.progress_lines import show_progress
from phenofit.flight import FitInterrupted, FlightFit
from tests.calls import fit_flights
from tests.flight.networks import SEASON, network
from tests.validate.study_files import write_study


def stop_at(word: str) -> Callable[[str], None]:
    """Press Ctrl-C at the first step that holds a word."""

    def say(step: str) -> None:
        if word in step:
            raise KeyboardInterrupt

    return say


def test_the_estimates_and_the_intervals_that_were_ready_are_kept() -> None:
    net = network(sites=4, years=3)
    records = (net.trap_years, net.weather, net.links)
    whole = fit_flights(*records, season=SEASON, base=10.0)
    with pytest.raises(FitInterrupted) as stop:
        fit_flights(*records, season=SEASON, base=10.0, progress=stop_at("interval of requirement 1"))
    fit = stop.value.fit
    assert list(fit.profiles) == ["requirement_1"]
    assert fit.problems[0] == (
        "Interrupted: intervals of spread 1, concentration, shift sd year, shift sd were not computed."
    )
    assert fit.interval("requirement_1") == whole.interval("requirement_1")
    assert fit.parameters == whole.parameters
    assert fit.log_likelihood == whole.log_likelihood
    assert fit.problems[0] in fit.summary()
    notes = fit.estimates.set_index("parameter")["note"]
    assert notes["spread"] == "no interval computed"
    assert notes["requirement"] == ""


def test_an_interrupt_of_the_search_or_after_the_last_interval_leaves_no_half_a_fit() -> None:
    net = network(sites=4, years=3)
    for word in ("looking for the maximum", "interval of shift sd (5 of 5)"):
        with pytest.raises(KeyboardInterrupt) as stop:
            fit_flights(
                net.trap_years, net.weather, net.links, season=SEASON, base=10.0, progress=stop_at(word)
            )
        assert not isinstance(stop.value, FitInterrupted)


def test_the_command_writes_the_estimates_and_ends_with_the_code_of_an_interrupt(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    study = write_study(tmp_path)
    # A terminal, and a user who presses Ctrl-C when the first interval is ready.
    monkeypatch.setattr("phenofit.cli.progress_lines.shows_steps", lambda: True)
    monkeypatch.setattr(
        "phenofit.cli.progress_lines.show_progress", lambda: stop_at("interval of requirement 1")
    )
    out = tmp_path / "out"
    assert main(["fit", str(study), "--out", str(out)]) == 130
    said = capsys.readouterr()
    assert "! Interrupted: intervals of spread 1" in said.out
    assert "stopped while intervals were computed" in said.err
    assert json.loads((out / "run.json").read_text("utf-8"))["complete"] is True
    assert {p.name for p in out.iterdir()} == {"flights.csv", "fit-invented-borer.json", "run.json"}
    assert FlightFit.from_json(out / "fit-invented-borer.json").problems[0].startswith("Interrupted")
    with (out / "flights.csv").open(newline="") as stream:
        rows = {r["parameter"]: r for r in csv.DictReader(stream)}
    assert rows["requirement"]["low"]
    assert rows["spread"]["low"] == ""
    assert "no interval computed" in rows["spread"]["note"]


@pytest.mark.parametrize(("terminal", "more"), [(True, []), (True, ["--quiet"]), (False, [])])
def test_steps_are_shown_on_a_terminal_unless_quiet(
    terminal: bool,
    more: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    study = write_study(tmp_path)
    study.write_text(study.read_text("utf-8") + '[flights]\nbase = "50 degF"\n', encoding="utf-8")
    monkeypatch.setattr("phenofit.cli.progress_lines.shows_steps", lambda: terminal)
    assert main(["fit", str(study), *more]) == 0
    assert ("s] interval of requirement 1 (1 of " in capsys.readouterr().err) is (terminal and not more)


def test_expected_time_is_that_of_the_steps_before(capsys: pytest.CaptureFixture[str]) -> None:
    times = iter([0.0, 10.0, 12.0, 16.0, 18.0, 21.0, 22.0, 30.0])
    show = show_progress(lambda: next(times))
    for step in (
        "reading",
        "interval of base (1 of 4)",
        "interval of spread (2 of 4)",
        "one: held out (1 of 4)",
        "interval of requirement (4 of 4)",
        "interval of base (1 of 4)",
        "interval of spread (3 of 4)",
    ):
        show(step)
    assert capsys.readouterr().err.splitlines() == [
        "[ 10.0 s] reading",
        "[ 12.0 s] interval of base (1 of 4)",
        "[ 16.0 s] interval of spread (2 of 4), about 8 s left",  # two more at four seconds each
        "[ 18.0 s] one: held out (1 of 4)",
        "[ 21.0 s] interval of requirement (4 of 4)",
        "[ 22.0 s] interval of base (1 of 4)",
        "[ 30.0 s] interval of spread (3 of 4), about 4 s left",  # eight seconds for two
    ]
