"""One run at a time in a folder, each file named to its run, nothing mixed after a killed or a second run."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import xarray as xr

from phenofit.cli.dispatch import main
from phenofit.errors import DataError
from phenofit.files import TEMPORARY, current_run, file_hash, write_csv, write_text
from phenofit.run_folder import MANIFEST, begin, require_complete, run_folder, run_name
from tests.validate.study_files import write_study

# A run that has written one table, is in the middle of another, and then waits for ever.
_STOPS_MIDWAY = """
import sys
from pathlib import Path
from phenofit.files import write_csv, writing
from phenofit.run_folder import begin, run_folder
out = Path(sys.argv[1])
with run_folder(out, "fit"):
    begin({"study.toml": "one"})
    write_csv(out / "old-species.csv", ["a"], [[1]])
    with writing(out / "flights.csv") as part:
        part.write_text("half of a tab")
        print("midway", flush=True)
        sys.stdin.read()
"""


@contextmanager
def stopped_midway(out: Path) -> Iterator[subprocess.Popen[str]]:
    run = subprocess.Popen(
        [sys.executable, "-c", _STOPS_MIDWAY, str(out)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert run.stdout is not None
        assert run.stdout.readline() == "midway\n"
        yield run
    finally:
        run.kill()
        run.communicate()


def manifest(out: Path) -> dict[str, Any]:
    return dict(json.loads((out / MANIFEST).read_text("utf-8"))["commands"])


def test_a_second_run_into_a_folder_in_use_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, out = write_study(tmp_path), tmp_path / "out"
    with stopped_midway(out):
        for command in ("fit", "run", "validate"):
            assert main([command, str(path), "--out", str(out)]) == 2
            assert (
                "another run is writing into this folder. Wait until it has ended" in capsys.readouterr().err
            )
        assert not (out / "flights.csv").exists()


def test_nothing_of_a_killed_run_is_left_after_the_next(tmp_path: Path) -> None:
    path, out = write_study(tmp_path), tmp_path / "out"
    out.mkdir()
    (out / "my own notes.txt").write_text("kept", encoding="utf-8")
    with stopped_midway(out) as run:
        run.kill()
        run.wait()
    # What is there says that it is not whole.
    assert manifest(out)["fit"]["complete"] is False
    assert [p.name for p in out.glob(f"{TEMPORARY}*")] != []
    with pytest.raises(DataError, match="belongs to a run of 'phenofit fit' that did not end"):
        require_complete(out / "old-species.csv")
    assert main(["fit", str(path), "--out", str(out)]) == 0
    names = sorted(p.name for p in out.iterdir())
    assert names == ["fit-invented-borer.json", "flights.csv", "my own notes.txt", MANIFEST]
    entry = manifest(out)["fit"]
    assert entry["complete"] is True
    assert entry["files"] == {n: file_hash(out / n) for n in ("fit-invented-borer.json", "flights.csv")}
    require_complete(out / "flights.csv")


def test_a_map_of_a_run_that_did_not_end_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"

    def stopped() -> None:
        with run_folder(out, "validate"):
            write_csv(out / "validation.csv", ["a"], [[1]])
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped()
    assert main(["map", str(out / "validation.csv"), "--out", str(out)]) == 2
    assert (
        "a run of 'phenofit validate' that did not end. Run 'phenofit validate' again."
        in capsys.readouterr().err
    )


def test_every_table_fit_file_and_map_names_its_run(tmp_path: Path) -> None:
    path, out = write_study(tmp_path), tmp_path / "out"
    assert main(["run", str(path), "--out", str(out), "--quiet"]) == 0
    entry = manifest(out)["run"]
    name = entry["run"]
    assert len(name) == 12
    for table in ("flights.csv", "thresholds.csv", "validation.csv", "scores.csv"):
        assert set(pd.read_csv(out / table, dtype=str)["run"]) == {name}
    fit = json.loads((out / "fit-invented-borer.json").read_text("utf-8"))
    assert fit["provenance"]["run"] == name
    assert name in (out / "report.html").read_text("utf-8")
    if (out / "error_map.nc").exists():
        with xr.open_dataset(out / "error_map.nc") as dataset:
            assert dataset.attrs["run"] == name
    # Pictures have no words of their own: the manifest lists them, as it lists every other file.
    there = {p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file()} - {MANIFEST}
    assert set(entry["files"]) == there
    # The same inputs give the same run, and other inputs another one.
    first = (out / MANIFEST).read_bytes()
    assert main(["run", str(path), "--out", str(out), "--quiet"]) == 0
    assert (out / MANIFEST).read_bytes() == first
    path.write_text(
        path.read_text("utf-8").replace('title = "Invented"', 'title = "Changed"'), encoding="utf-8"
    )
    assert main(["fit", str(path), "--out", str(out)]) == 0
    assert manifest(out)["fit"]["run"] != name


def test_the_name_of_a_run_rests_on_inputs_and_options() -> None:
    assert run_name({"a": "1"}) == run_name({"a": "1"})
    assert len({run_name({"a": "1"}), run_name({"a": "2"}), run_name({"a": "1"}, today="2024-05-01")}) == 3


def test_files_of_an_earlier_run_go_and_those_of_other_commands_stay(tmp_path: Path) -> None:
    def run(command: str, *names: str) -> None:
        with run_folder(tmp_path, command):
            begin({"x": command})
            for name in names:
                write_text(tmp_path / name, name)

    run("fit", "a.json", "b.json")
    run("validate", "v.csv", "b.json")
    run("fit", "a.json")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.json", "b.json", MANIFEST, "v.csv"]
    run("validate", "v.csv")
    assert not (tmp_path / "b.json").exists()
    assert set(manifest(tmp_path)) == {"fit", "validate"}


def test_a_refused_call_leaves_the_folder_as_it_was(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, out = write_study(tmp_path), tmp_path / "deep" / "out"
    (tmp_path / "traps.csv").unlink()
    assert main(["fit", str(path), "--out", str(out)]) == 2
    assert not (tmp_path / "deep").exists()
    write_study(tmp_path)
    assert main(["fit", str(path), "--out", str(out)]) == 0
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    (tmp_path / "traps.csv").unlink()
    assert main(["fit", str(path), "--out", str(out)]) == 2
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before


@pytest.mark.parametrize(
    "manifest_text", ["", "[]", "{}", '{"form": "other", "commands": {}}', "[" * 100_000]
)
def test_a_manifest_that_is_not_ours_is_replaced(manifest_text: str, tmp_path: Path) -> None:
    (tmp_path / MANIFEST).write_text(manifest_text, encoding="utf-8")
    with run_folder(tmp_path, "fit"):
        write_text(tmp_path / "a.json", "a")
    assert set(manifest(tmp_path)) == {"fit"}


@pytest.mark.parametrize("command", ["fit", "run", "validate", "compare", "forecast", "plan"])
@pytest.mark.parametrize("kind", ["file", "below a file"])
def test_an_output_folder_that_cannot_be_written_is_noticed_first(
    command: str,
    kind: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def reached(*_: object, **__: object) -> None:
        raise AssertionError("something was computed")

    monkeypatch.setattr("phenofit.study.load.load_study", reached)
    monkeypatch.setattr("phenofit.flight.fit.fit_data", reached)
    path = write_study(tmp_path)
    (tmp_path / "file").write_text("", encoding="utf-8")
    out = tmp_path / "file" if kind == "file" else tmp_path / "file" / "out"
    assert main([command, str(path), "--out", str(out)]) == 2
    assert "the output folder cannot be written" in capsys.readouterr().err


def test_outside_a_run_no_table_has_a_run(tmp_path: Path) -> None:
    assert current_run() == ""
    write_csv(tmp_path / "a.csv", ["x"], [[1]])
    assert (tmp_path / "a.csv").read_text("utf-8") == "x\n1\n"
