"""The study of coverage: its verdicts on made-up records, its restart, its oracle, and a small run."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom

import phenofit
from tests.benchmarks.coverage_study import __main__ as command
from tests.benchmarks.coverage_study.judged import (
    BY_REPORT,
    MET,
    NOT_MET,
    WITHIN_ERROR,
    Measure,
    binomial_error,
    judge,
    mae_ratio,
)
from tests.benchmarks.coverage_study.scenarios import KNOWN, SCENARIOS
from tests.benchmarks.coverage_study.study import (
    HELD_OUT,
    INTERVALS,
    HeldOut,
    Interval,
    Record,
    Task,
    study,
    true_pair,
)
from tests.benchmarks.coverage_study.tables import markdown, scenario_verdict
from tests.benchmarks.kept_records import keep_record
from tests.recovery.other_truths import draw_network

NETWORKS = 12


def made_up(
    hits: int, *, scenario: str = "default", networks: int = 400, said: int = 0, refuted: int = 0
) -> list[Record]:
    """Records in which the interval of the base holds the truth `hits` times."""
    return [
        Record(
            scenario,
            n,
            INTERVALS,
            seconds=1.0,
            intervals=(Interval("base", 10.0, 9.0 if n < hits else 10.5, 11.0, 10.0),),
            statements=("Checks whose catch is mostly strays: 3.", "Night weather counts.")
            if n < said
            else (),
            verdict="not consistent" if n < refuted else "consistent",
        )
        for n in range(networks)
    ]


def of(records: list[Record], name: str) -> Measure:
    return next(m for m in judge(records) if m.name == name)


@pytest.mark.parametrize(
    ("hits", "verdict"), [(380, MET), (372, MET), (371, WITHIN_ERROR), (340, NOT_MET), (400, NOT_MET)]
)
def test_coverage_against_its_target(hits: int, verdict: str) -> None:
    # 93 to 98 % of 400 networks are 372 to 392; the standard error is about 1.3 %.
    records = made_up(hits)
    measure = of(records, "coverage of base")
    assert measure.value == hits / 400
    assert measure.verdict == verdict
    said = scenario_verdict(judge(records), "default")
    assert said == (MET if verdict == MET else "not met: coverage of base")
    assert f"| {said} |" in markdown(records)


def test_the_binomial_error() -> None:
    # Agresti and Coull: (k + 2) of (n + 4); by hand for 380 of 400.
    assert binomial_error(380, 400) == pytest.approx((382 / 404 * 22 / 404 / 404) ** 0.5)
    assert binomial_error(0, 12) > 0.0


def test_an_open_end_holds_everything_beyond() -> None:
    assert Interval("base", 10.0, None, 12.0, 3.0).holds
    assert not Interval("base", 10.0, None, 12.0, 13.0).holds
    assert Interval("base", 10.0, None, None, 13.0).holds
    records = [
        replace(r, intervals=(Interval("base", 9.0, None, 11.0, 10.0),)) for r in made_up(0, networks=4)
    ]
    assert of(records, "open intervals of base").value == 1.0
    assert not [m for m in judge(records) if m.name == "width of base"]


def test_a_report_is_accepted_where_the_scenario_says_so() -> None:
    enough = made_up(300, scenario="night-0.15", said=330)
    assert of(enough, "coverage of base").verdict == BY_REPORT
    assert scenario_verdict(judge(enough), "night-0.15") == BY_REPORT
    few = made_up(300, scenario="night-0.15", said=310)
    assert of(few, "coverage of base").verdict == NOT_MET
    # Beside coverage, not instead of it.
    assert of(made_up(300, scenario="strays", said=400), "coverage of base").verdict == NOT_MET
    assert of(made_up(380, scenario="strays", said=200), "misfit reported").verdict == NOT_MET


def test_refuted_pairs_failures_and_far_dates_are_misses() -> None:
    assert of(made_up(380, refuted=20), "true pair refuted").verdict == MET
    assert of(made_up(380, refuted=60), "true pair refuted").verdict == NOT_MET
    failed = [*made_up(380), Record("default", 400, INTERVALS, 1.0, failed="the likelihood is not finite")]
    assert scenario_verdict(judge(failed), "default") == "not met: failed"
    dates = (HeldOut(2001, 2.0, 2.0, 2.0), HeldOut(2001, -61.0, 2.0, 2.0), HeldOut(2002, None, 1.0, 1.0))
    far = of([Record("default", 0, HELD_OUT, 1.0, errors=dates)], "over 60 days off or undated")
    assert (far.value, far.count, far.verdict) == (2.0, 3, NOT_MET)


def test_the_ratio_of_errors() -> None:
    rng = np.random.default_rng(4)
    networks = [
        [HeldOut(2001, f, o, o) for f, o in zip(*np.abs(rng.normal(size=(2, 20))), strict=True)]
        for _ in range(40)
    ]
    networks[0].append(HeldOut(2001, None, 50.0, 50.0))  # An undated forecast is counted elsewhere.
    ratio, error = mae_ratio(networks, "oracle")
    sums = np.array(
        [
            [sum(getattr(e, k) for e in n if e.fitted is not None) for k in ("fitted", "oracle")]
            for n in networks
        ]
    )
    total = sums.sum(axis=0)
    assert ratio == pytest.approx(total[0] / total[1])
    # The jackknife over networks.
    without = np.array([(total - s)[0] / (total - s)[1] for s in sums])
    jackknife = np.sqrt(39 / 40 * np.sum((without - without.mean()) ** 2))
    assert error == pytest.approx(jackknife, rel=0.05)
    slow = [HeldOut(2001, 2.4, 2.0, 2.0)] * 40
    records = [Record("default", n, HELD_OUT, 1.0, errors=tuple(slow)) for n in range(3)]
    assert of(records, "MAE ratio").verdict == NOT_MET
    assert scenario_verdict(judge(records), "default") == "not met: MAE ratio"


def test_every_scenario_has_its_model() -> None:
    for scenario in KNOWN.values():
        if not scenario.lacking:
            assert scenario.model().number == len(scenario.truth.flights)
            assert scenario.model(10.0).base_held == 10.0
    assert KNOWN["default"].model() == phenofit.FlightModel()
    assert len(SCENARIOS) == 15


def test_kept_records_are_not_studied_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    studied: list[Task] = []

    def pretend(task: Task) -> Record:
        studied.append(task)
        return replace(made_up(1, networks=1)[0], number=task.number, part=task.part, intervals=())

    monkeypatch.setattr(command, "study", pretend)
    file, more = tmp_path / "records.jsonl", tmp_path / "more.jsonl"
    records = made_up(3, networks=3)
    for record in records:
        keep_record(file, json.loads(json.dumps(record.line())))
    call = ["--scenarios", "default", "--out", str(tmp_path)]
    command.main([*call, "--networks", "4", "--held-out", "0", "--keep", str(file)])
    assert studied == [Task("default", 3, INTERVALS)]
    keep_record(more, replace(records[0], number=9).line())
    capsys.readouterr()
    command.main([*call, "--table", str(file), str(more)])
    assert len(studied) == 1
    text = (tmp_path / "coverage.md").read_text(encoding="utf-8")
    assert capsys.readouterr().out.strip() == text.strip()
    rows = json.loads((tmp_path / "coverage.json").read_text(encoding="utf-8"))["measures"]
    assert next(r for r in rows if r["name"] == "coverage of base")["count"] == 4
    with pytest.raises(SystemExit):
        command.main([*call, "--networks", "1", "--table", str(file)])
    assert "give either --networks or --table" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        command.main(["--networks", "1", "--scenarios", "unheard"])
    assert "there is no scenario unheard" in capsys.readouterr().err


@pytest.mark.slow
def test_the_default_scenario_keeps_its_coverage() -> None:
    # One run in a thousand of intervals that hold at 95 % would fall below this.
    least = int(binom.ppf(0.001, NETWORKS, 0.95))
    records = [study(Task("default", number, INTERVALS)) for number in range(NETWORKS)]
    assert [r.failed for r in records if r.failed] == []
    measures = [m for m in judge(records) if m.name.startswith("coverage")]
    assert [m.name for m in measures] == [
        "coverage of base",
        "coverage of requirement_1",
        "coverage of requirement_1, base held",
    ]
    for measure in measures:
        assert measure.value * NETWORKS >= least, measure


@pytest.mark.slow
@pytest.mark.parametrize("name", ["default", "upper-30", "from-1-april"])
def test_the_oracle_forecasts_as_the_true_pair_does(name: str) -> None:
    # The package's own forecaster of a published threshold, against the oracle's plain sums.
    scenario = KNOWN[name]
    record = study(Task(name, 0, HELD_OUT))
    network = draw_network(scenario.truth, scenario.places[0], seed=(91, 0))
    table = phenofit.cross_validate(
        network.records(),
        scenario.model(),
        phenofit.Scheme("year", events=("flight_50",)),
        thresholds=(true_pair(scenario),),
    )
    published = table[table["forecaster"] == "published:true"].sort_values(["year", "trap"])
    oracle = [error.oracle for error in record.errors]
    assert len(oracle) == len(published) > 30
    np.testing.assert_allclose(np.array(oracle, dtype=float), published["error_days"], atol=0.05)
