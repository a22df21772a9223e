"""A folder holds one whole run of a command: killed, doubled and repeated runs leave no mixture."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from phenofit.errors import DataError, PhenofitWarning
from phenofit.files import file_hash, write_text
from phenofit.output_folder import MANIFEST, RunFolder, check_writable, run_folder, run_id
from phenofit.output_folder.lock import LOCK_NAME, lock_folder, unlock_folder

# A run in a process of its own: says where it is, then waits to be killed. Nothing depends on time.
CHILD = """
import sys
from pathlib import Path
import phenofit.output_folder.folder as module
from phenofit.files import write_text

def wait():
    print("here", flush=True)
    sys.stdin.read()

out, point, names = Path(sys.argv[1]), sys.argv[2], sys.argv[3:]
with module.run_folder(out, "fit", files=()) as folder:
    folder.run = "second"
    for name in names:
        write_text(folder.staging / name, "second " + name)
    if point == "computing":
        wait()
    if point == "moving":
        replace, moved = Path.replace, []

        def replace_one_then_wait(self, target):
            if moved and ".phenofit-run" in str(self):
                wait()
            replace(self, target)
            if ".phenofit-run" in str(self):
                moved.append(target)

        Path.replace = replace_one_then_wait
"""


def write(out: Path, run: str, names: list[str], command: str = "fit") -> RunFolder:
    with run_folder(out, command, files=()) as folder:
        folder.run = run
        for name in names:
            write_text(folder.staging / name, f"{run} {name}")
    return folder


def names(out: Path) -> list[str]:
    return sorted(p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file())


def manifest(out: Path) -> dict[str, object]:
    found: dict[str, object] = json.loads((out / MANIFEST).read_text("utf-8"))
    return found


def killed(out: Path, point: str, *files: str) -> None:
    """Start a run, wait until it says that it is at a point, and kill it there."""
    with subprocess.Popen(
        [sys.executable, "-c", CHILD, str(out), point, *files],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "here\n"
        child.kill()


def test_the_manifest_lists_every_file_with_its_hash_and_run(tmp_path: Path) -> None:
    out = tmp_path / "new" / "out"
    write(out, "first", ["flights.csv", "figures/a.png"])
    assert names(out) == ["figures/a.png", "flights.csv", MANIFEST]
    assert manifest(out) == {
        "complete": True,
        "run": "first",
        "files": {name: file_hash(out / name) for name in ("flights.csv", "figures/a.png")},
        "runs": [
            {
                "command": "fit",
                "run": "first",
                "phenofit": manifest(out)["runs"][0]["phenofit"],  # type: ignore[index]
                "complete": True,
                "files": ["figures/a.png", "flights.csv"],
            }
        ],
    }
    first = (out / MANIFEST).read_bytes()
    write(out, "first", ["flights.csv", "figures/a.png"])
    assert (out / MANIFEST).read_bytes() == first


def test_files_of_the_last_run_that_are_not_written_again_are_removed_and_no_others(tmp_path: Path) -> None:
    write(tmp_path, "first", ["flights.csv", "fit-a.json", "fit-b.json", "fit-c.json", "figures/b.png"])
    write(tmp_path, "valid", ["validation.csv"], command="validate")
    (tmp_path / "fit-c.json").write_text("changed by the user")
    (tmp_path / "fit-mine.json").write_text("of the user")
    folder = write(tmp_path, "second", ["flights.csv", "fit-a.json"])
    assert sorted(folder.removed) == ["figures/b.png", "fit-b.json"]
    assert names(tmp_path) == [
        "fit-a.json", "fit-c.json", "fit-mine.json", "flights.csv", MANIFEST, "validation.csv"
    ]  # fmt: skip
    assert not (tmp_path / "figures").exists()
    assert [(one["command"], one["run"]) for one in manifest(tmp_path)["runs"]] == [  # type: ignore[attr-defined]
        ("fit", "second"),
        ("validate", "valid"),
    ]


def test_a_failed_run_changes_nothing_and_leaves_nothing(tmp_path: Path) -> None:
    old = tmp_path / "old"
    write(old, "first", ["flights.csv"])
    before = {name: (old / name).read_bytes() for name in names(old)}

    def fail(out: Path) -> None:
        with run_folder(out, "fit", files=()) as folder:
            write_text(folder.staging / "flights.csv", "half")
            raise RuntimeError("no fit")

    for out in (old, tmp_path / "new" / "deep"):
        with pytest.raises(RuntimeError, match="no fit"):
            fail(out)
    assert {name: (old / name).read_bytes() for name in names(old)} == before
    assert [p.name for p in tmp_path.iterdir()] == ["old"]


def test_a_run_killed_while_it_computes_leaves_the_last_one_whole(tmp_path: Path) -> None:
    write(tmp_path, "first", ["flights.csv", "fit-a.json"])
    killed(tmp_path, "computing", "flights.csv", "fit-b.json")
    assert (tmp_path / "flights.csv").read_text() == "first flights.csv"
    assert manifest(tmp_path)["run"] == "first"
    write(tmp_path, "third", ["flights.csv", "fit-a.json"])
    assert names(tmp_path) == ["fit-a.json", "flights.csv", MANIFEST]


def test_a_run_killed_while_it_moves_its_files_is_known_to_be_incomplete_and_swept(tmp_path: Path) -> None:
    write(tmp_path, "first", ["fit-a.json", "fit-b.json", "flights.csv"])
    killed(tmp_path, "moving", "fit-c.json", "flights.csv")
    # The mixture: the new fit-c.json beside the old flights.csv. There is no manifest.
    assert (tmp_path / "fit-c.json").read_text() == "second fit-c.json"
    assert (tmp_path / "flights.csv").read_text() == "first flights.csv"
    assert not (tmp_path / MANIFEST).exists()
    folder = write(tmp_path, "third", ["fit-a.json", "flights.csv"])
    assert sorted(folder.removed) == ["fit-b.json", "fit-c.json"]
    assert names(tmp_path) == ["fit-a.json", "flights.csv", MANIFEST]
    assert manifest(tmp_path)["complete"] is True


def test_another_command_does_not_call_a_killed_run_complete(tmp_path: Path) -> None:
    write(tmp_path, "first", ["fit-a.json", "flights.csv"])
    killed(tmp_path, "moving", "fit-c.json", "flights.csv")
    write(tmp_path, "valid", ["validation.csv"], command="validate")
    assert manifest(tmp_path)["complete"] is False
    assert {(one["command"], one["complete"]) for one in manifest(tmp_path)["runs"]} == {  # type: ignore[attr-defined]
        ("fit", False),
        ("validate", True),
    }
    write(tmp_path, "third", ["flights.csv"])
    assert names(tmp_path) == ["flights.csv", MANIFEST, "validation.csv"]
    assert manifest(tmp_path)["complete"] is True


def test_a_second_run_into_a_folder_in_use_is_refused_and_the_lock_dies_with_its_process(
    tmp_path: Path,
) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", CHILD, str(tmp_path), "computing", "flights.csv"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "here\n"
        with pytest.raises(DataError, match=r"another run of phenofit is writing.*another folder with --out"):
            write(tmp_path, "first", ["flights.csv"])
        assert (tmp_path / ".phenofit-run" / "flights.csv").exists()  # the other run is not disturbed
        child.kill()
    write(tmp_path, "first", ["flights.csv"])
    assert names(tmp_path) == ["flights.csv", MANIFEST]


def test_one_process_cannot_hold_a_folder_twice(tmp_path: Path) -> None:
    held = lock_folder(tmp_path)
    assert held is not None
    assert lock_folder(tmp_path) is None
    unlock_folder(tmp_path, held)
    assert not (tmp_path / LOCK_NAME).exists()
    again = lock_folder(tmp_path)
    assert again is not None
    unlock_folder(tmp_path, again)


@pytest.mark.skipif(sys.platform == "win32", reason="an open file cannot be removed there")
def test_a_lock_that_was_removed_between_opening_and_locking_is_not_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import phenofit.output_folder.lock as module

    plain, calls = module._locked, []

    def removed_first(stream: object) -> bool:
        calls.append(stream)
        if len(calls) == 1:
            (tmp_path / LOCK_NAME).unlink()
        return plain(stream)  # type: ignore[arg-type]

    monkeypatch.setattr(module, "_locked", removed_first)
    held = lock_folder(tmp_path)
    assert held is not None
    assert len(calls) == 2
    assert os.path.samestat(os.fstat(held.fileno()), (tmp_path / LOCK_NAME).stat())
    unlock_folder(tmp_path, held)


@pytest.mark.skipif(sys.platform == "win32", reason="the lock of this system is another one")
def test_a_file_system_without_locks_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import errno
    import fcntl

    def fails(*_: object) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(fcntl, "flock", fails)
    with pytest.warns(PhenofitWarning, match="has no locks; start no second run"):
        held = lock_folder(tmp_path)
    assert held is not None
    unlock_folder(tmp_path, held)


def test_temporary_files_of_killed_runs_are_swept_by_our_own_names_only(tmp_path: Path) -> None:
    write(tmp_path, "first", ["flights.csv", "figures/a.png"])
    ours = [".flights-a1b2c3d_.csv", "figures/.a-abcdefgh.png", ".run-abcdefgh.json"]
    others = [".flights-old.csv", ".flights-ABCDEFGH.csv", ".mine-abcdefgh.csv", ".flights-abcdefgh.txt"]
    for name in (*ours, *others):
        (tmp_path / name).touch()
    write(tmp_path, "first", ["flights.csv", "figures/a.png"])
    assert names(tmp_path) == sorted([*others, "flights.csv", "figures/a.png", MANIFEST])


@pytest.mark.parametrize(
    "text", ["", "[]", '{"runs": 3}', '{"runs": [{"files": ["x"]}]}', "\0", '{"files": {}}']
)
def test_a_manifest_that_is_none_of_ours_names_nothing(tmp_path: Path, text: str) -> None:
    (tmp_path / MANIFEST).write_text(text)
    (tmp_path / "x").touch()
    write(tmp_path, "first", ["flights.csv"])
    assert names(tmp_path) == ["flights.csv", MANIFEST, "x"]


@pytest.mark.parametrize("name", ["../outside.csv", "/outside.csv", "a/../../outside.csv", "..\\outside.csv"])
def test_a_manifest_cannot_have_files_outside_of_the_folder_removed(tmp_path: Path, name: str) -> None:
    out = tmp_path / "out"
    write(out, "first", ["flights.csv"])
    outside = tmp_path / "outside.csv"
    outside.write_text("of the user")
    document = json.loads((out / MANIFEST).read_text("utf-8"))
    named = str(outside) if name.startswith("/") else name
    document["files"][named] = file_hash(outside)
    document["runs"][0]["files"].append(named)
    (out / MANIFEST).write_text(json.dumps(document), "utf-8")
    assert write(out, "second", ["flights.csv"]).removed == []
    assert outside.read_text() == "of the user"


def test_a_run_without_an_identifier_writes_nothing(tmp_path: Path) -> None:
    def nameless() -> None:
        with run_folder(tmp_path, "fit", files=()) as folder:
            write_text(folder.staging / "flights.csv", "x")

    with pytest.raises(ValueError, match="identifier"):
        nameless()
    assert names(tmp_path) == []


def test_places_that_cannot_be_written_are_refused_at_once(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    (tmp_path / "full" / "flights.csv").mkdir(parents=True)
    (tmp_path / "full" / "other").mkdir()
    (tmp_path / "taken").mkdir()
    (tmp_path / "taken" / "figures").touch()
    for out, files, message in (
        (tmp_path / "file", (), "is a file, so this can be no folder"),
        (tmp_path / "file" / "below", (), "is a file, so this can be no folder"),
        (tmp_path / "full", ("flights.csv",), "this is a folder; a file is needed"),
        (tmp_path / "taken", ("figures/",), "this is a file; a folder is needed"),
    ):
        with pytest.raises(DataError, match=message), run_folder(out, "fit", files=files):
            pytest.fail("the block must not be entered")
    for path, message in (
        (tmp_path / "full", "this is a folder"),
        (tmp_path / "file" / "x.csv", "is a file, so this can be no folder"),
    ):
        with pytest.raises(DataError, match=message):
            check_writable(path)
    check_writable(None)
    check_writable(tmp_path / "new" / "deep" / "x.csv")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file", "full", "taken"]


def test_a_folder_without_permission_is_refused_with_the_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The administrator may write everywhere, so the refusal of the system is set up here.
    def denied(self: Path, *_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "open", denied)
    with (
        pytest.raises(
            DataError, match=r"nothing can be written here: Permission denied\. Choose another folder"
        ),
        run_folder(tmp_path / "new", "fit", files=()),
    ):
        pytest.fail("the block must not be entered")
    assert not (tmp_path / "new").exists()


def test_the_identifier_follows_inputs_settings_command_and_version(monkeypatch: pytest.MonkeyPatch) -> None:
    base = run_id("fit", inputs={"a.csv": "1", "b.csv": "2"}, settings={"level": 0.95})
    assert base == run_id("fit", inputs={"b.csv": "2", "a.csv": "1"}, settings={"level": 0.95})
    others = [
        run_id("run", inputs={"a.csv": "1", "b.csv": "2"}, settings={"level": 0.95}),
        run_id("fit", inputs={"a.csv": "1", "b.csv": "3"}, settings={"level": 0.95}),
        run_id("fit", inputs={"a.csv": "1", "b.csv": "2"}, settings={"level": 0.9}),
    ]
    monkeypatch.setattr("phenofit.output_folder.identity.phenofit_version", lambda: "9.9")
    others.append(run_id("fit", inputs={"a.csv": "1", "b.csv": "2"}, settings={"level": 0.95}))
    assert len({base, *others}) == 5
    assert len(base) == 16
