"""A study on a dask cluster: the same bytes, nothing lost with a worker, one line where no scheduler answers."""

from __future__ import annotations

import os
import signal
from pathlib import Path
from typing import Any

import pytest

from phenofit.analysis.species_work import SpeciesWork
from phenofit.cli import main
from phenofit.cluster import cluster_executor, on_worker
from phenofit.errors import MissingExtraError, ModelError
from phenofit.run import run_study
from phenofit.study import load_study, read_inputs
from tests.clusters import local_cluster
from tests.validate.study_files import write_study

# Nobody listens on the port of the discard service.
NOWHERE = "tcp://127.0.0.1:9"
TABLES = ("flights.csv", "thresholds.csv", "validation.csv", "scores.csv")


def _worked(cluster: Any) -> bool:
    """Whether tasks went through the scheduler."""
    return int(cluster.scheduler.transition_counter) > 0


@pytest.mark.parametrize("command", ["run", "validate", "plan"])
def test_a_scheduler_that_does_not_answer_is_one_line(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("phenofit.cluster._PATIENCE", 0.2)
    study, out = write_study(tmp_path), tmp_path / "out"
    assert main([command, str(study), "--out", str(out), "--scheduler", NOWHERE]) == 2
    text = capsys.readouterr().err
    assert f"no scheduler answers at '{NOWHERE}'" in text
    assert "dask scheduler" in text
    assert "Traceback" not in text
    assert not any(out.glob("*.csv"))


def test_an_absent_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda _: None)
    with (
        pytest.raises(MissingExtraError, match=r'pip install "phenofit-toolkit\[dask\]"'),
        cluster_executor(NOWHERE),
    ):
        pass


def test_a_cluster_without_workers_is_refused() -> None:
    with (
        local_cluster(0, processes=False) as cluster,
        pytest.raises(ModelError, match="has no workers"),
        cluster_executor(cluster.scheduler_address),
    ):
        pass


def test_a_task_knows_that_it_is_on_a_worker() -> None:
    assert not on_worker()
    with (
        local_cluster(1, processes=False) as cluster,
        cluster_executor(cluster.scheduler_address) as executor,
    ):
        assert executor is not None
        assert executor.submit(on_worker).result()
        assert not on_worker()


def test_workers_of_two_kinds_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ModelError, match="a cluster has its own workers"):
        run_study(write_study(tmp_path), out=tmp_path / "out", workers=2, scheduler=NOWHERE)


@pytest.mark.slow
def test_a_run_on_a_cluster_writes_the_same_tables(tmp_path: Path) -> None:
    study = write_study(tmp_path)
    run_study(study, out=tmp_path / "here", workers=1)
    with local_cluster(2) as cluster:
        said: list[str] = []
        run_study(study, out=tmp_path / "there", scheduler=cluster.scheduler_address, progress=said.append)
        assert _worked(cluster)
    for name in TABLES:
        assert (tmp_path / "here" / name).read_bytes() == (tmp_path / "there" / name).read_bytes(), name
    assert any("held out and forecast (1 of" in line for line in said)


@pytest.mark.slow
def test_a_plan_on_a_cluster_is_the_same(tmp_path: Path) -> None:
    study = write_study(tmp_path)
    call = ["plan", str(study), "--sites", "3", "--years", "3", "--simulate", "2"]
    assert main([*call, "--out", str(tmp_path / "here")]) == 0
    with local_cluster(2) as cluster:
        there = ["--out", str(tmp_path / "there"), "--scheduler", cluster.scheduler_address]
        assert main([*call, *there]) == 0
        assert _worked(cluster)
    assert (tmp_path / "here" / "plan.csv").read_bytes() == (tmp_path / "there" / "plan.csv").read_bytes()


@pytest.mark.slow
def test_a_worker_that_is_killed_loses_nothing(tmp_path: Path) -> None:
    study = load_study(write_study(tmp_path))
    work = SpeciesWork.of(study, read_inputs(study), study.species[0])
    alone = work.validate("year")
    with local_cluster(2) as cluster, cluster_executor(cluster.scheduler_address) as executor:
        killed: list[int] = []

        def kill_one(_text: str) -> None:
            if not killed:
                worker: Any = cluster.workers[0]
                killed.append(worker.pid)
                os.kill(worker.pid, getattr(signal, "SIGKILL", signal.SIGTERM))

        on_cluster = work.validate("year", executor=executor, progress=kill_one)
        assert killed
        assert _worked(cluster)
    assert on_cluster.to_csv() == alone.to_csv()
