"""The folder that a command writes into: one run at a time, each file named to its run, nothing left of killed runs."""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from phenofit.errors import DataError, Problem
from phenofit.files import (
    TEMPORARY,
    current_run,
    file_hash,
    name_run,
    phenofit_version,
    recording,
    require_regular,
    write_text,
)

__all__ = ["MANIFEST", "begin", "check_target", "require_complete", "run_folder", "run_name"]

MANIFEST = "run.json"
"""Lists the files of a folder by command, with the run that each belongs to and its SHA-256."""

_LOCK = ".phenofit-lock"
_FORM = "phenofit outputs 1"


def run_name(hashes: Mapping[str, str], **options: Any) -> str:
    """Return the name of a run: the same for the same inputs, settings and version.

    Parameters
    ----------
    hashes : mapping of str to str
        Input files, the study file among them, to their SHA-256.
    **options
        Options of the call that change the results.

    Returns
    -------
    str
        Twelve hexadecimal digits.
    """
    facts = {"version": phenofit_version(), "inputs": dict(hashes), "options": options}
    text = json.dumps(facts, sort_keys=True, default=str)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:12]


@contextlib.contextmanager
def run_folder(out: Path | None, command: str) -> Iterator[None]:
    """Hold a folder for one run of a command.

    Parameters
    ----------
    out : Path or None
        The folder, made where absent; ``None`` where nothing is to be written.
    command : str
        The command; its files of an earlier run that are not written again are removed at the end.

    Raises
    ------
    DataError
        If the folder cannot be written, or another run is writing into it.

    Notes
    -----
    ``run.json`` says of each command whether its run ended; after a killed run it says that it did not. Parts of files
    that a killed run left are removed when the next run begins.
    """
    if out is None:
        yield
        return
    made = _made(out)
    try:
        with _locked(out):
            _sweep(out)
            before = _read_manifest(out)
            earlier = list(before.get(command, {}).get("files", {}))
            names = dict.fromkeys(earlier, "")

            def note(path: Path) -> None:
                if path.name != MANIFEST and path.is_relative_to(out.resolve()):
                    names[path.relative_to(out.resolve()).as_posix()] = ""
                    _write_manifest(out, {**before, command: _entry(names, complete=False)})

            with recording(note) as written:
                try:
                    yield
                except BaseException:
                    if not written and not before:
                        (out / MANIFEST).unlink(missing_ok=True)
                    raise
                files = {name: file_hash(out / name) for name in names if _written(out, name, written)}
                _forget(out, set(earlier) - set(files), before, command)
                if files:
                    _write_manifest(out, {**before, command: _entry(files, complete=True)})
    finally:
        _undo_made(made)


def begin(hashes: Mapping[str, str], **options: Any) -> str:
    """Name the run under way from its inputs and return the name.

    Parameters
    ----------
    hashes, **options
        As for :func:`run_name`.
    """
    run = run_name(hashes, **options)
    name_run(run)
    return run


def _entry(files: Mapping[str, str], *, complete: bool) -> dict[str, Any]:
    return {"run": current_run(), "complete": complete, "files": dict(sorted(files.items()))}


def _written(out: Path, name: str, written: Mapping[Path, None]) -> bool:
    return (out / name).resolve() in written


def require_complete(file: Path) -> None:
    """Refuse a file of a run that did not end.

    Parameters
    ----------
    file : Path
        A file that a command has written.

    Raises
    ------
    DataError
        If the manifest of its folder says that its run did not end, or that the file was another one.
    """
    for command, entry in _read_manifest(file.parent).items():
        if file.name in entry["files"] and not entry["complete"]:
            raise DataError(
                Problem(
                    f"it belongs to a run of 'phenofit {command}' that did not end.",
                    f"Run 'phenofit {command}' again.",
                    str(file),
                )
            )


def _made(out: Path) -> list[Path]:
    """Make the folder, try to write into it, and return the folders that were made."""
    made = [folder for folder in (out, *out.parents) if not folder.exists()]
    try:
        out.mkdir(parents=True, exist_ok=True)
        probe = out / f"{TEMPORARY}probe"
        probe.write_bytes(b"")
        probe.unlink()
    except (OSError, ValueError) as fault:
        _undo_made(made)
        reason = getattr(fault, "strerror", None) or str(fault)
        shown = str(out).replace("\0", "\\0")
        raise DataError(
            Problem(f"the output folder cannot be written ({reason}).", "Name another with --out.", shown)
        ) from None
    return made


def check_target(file: Path | None) -> None:
    """Refuse a file whose folder cannot be written, before anything is computed.

    Raises
    ------
    DataError
        Names the folder and the reason.
    """
    if file is not None:
        _undo_made(_made(file.parent))


def _undo_made(made: list[Path]) -> None:
    for folder in made:
        with contextlib.suppress(OSError):
            folder.rmdir()  # only if nothing is in it


@contextlib.contextmanager
def _locked(out: Path) -> Iterator[None]:
    lock = FileLock(out / _LOCK, timeout=0)
    try:
        lock.acquire()
    except Timeout:
        raise DataError(
            Problem(
                "another run is writing into this folder.",
                "Wait until it has ended, or name another folder with --out.",
                str(out),
            )
        ) from None
    try:
        yield
    finally:
        # The operating system frees the lock of a process that dies; the empty file may stay.
        with contextlib.suppress(OSError):
            (out / _LOCK).unlink()
        lock.release()


def _sweep(out: Path) -> None:
    """Remove the parts of files that a killed run left."""
    for folder in (out, out / "figures"):
        for part in folder.glob(f"{TEMPORARY}*"):
            with contextlib.suppress(OSError):
                part.unlink()


def _forget(out: Path, names: set[str], before: Mapping[str, Any], command: str) -> None:
    """Remove files of an earlier run of a command that no other command has written."""
    others = {name for other, entry in before.items() if other != command for name in entry["files"]}
    for name in names - others:
        with contextlib.suppress(OSError):
            (out / name).unlink()


def _read_manifest(out: Path) -> dict[str, Any]:
    """Return the entries of a manifest of ours; none where there is no such file."""
    path = out / MANIFEST
    if not path.exists():
        return {}
    try:
        found = json.loads(require_regular(path).read_text(encoding="utf-8"))
        good = found["form"] == _FORM and all(
            {"files", "complete"} <= set(e) for e in found["commands"].values()
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        good = False
    return dict(found["commands"]) if good else {}


def _write_manifest(out: Path, commands: Mapping[str, Any]) -> None:
    content = {"form": _FORM, "version": phenofit_version(), "commands": dict(sorted(commands.items()))}
    write_text(out / MANIFEST, json.dumps(content, indent=1, sort_keys=True) + "\n")
