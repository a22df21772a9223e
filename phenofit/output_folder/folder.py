"""One run at a time into a folder: written apart, moved in as a whole, listed in ``run.json``.

A command writes into the folder ``.phenofit-run`` inside its output folder. When all is well, the manifest of earlier
runs is removed, the files are moved to their places, and the new manifest is written last. A folder with outputs but
without ``run.json`` was therefore left by a run that did not end.
"""

from __future__ import annotations

import contextlib
import json
import re
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath

from phenofit.errors import DataError, Problem
from phenofit.files import file_hash, phenofit_version, write_text
from phenofit.output_folder.lock import lock_folder, unlock_folder

MANIFEST = "run.json"
_STAGING = ".phenofit-run"
_JOURNAL = ".phenofit-files.json"
# Replaces the manifest while files are moved: the files of earlier runs and of this one.


@dataclass
class RunFolder:
    """An output folder held by one run.

    Attributes
    ----------
    path : Path
        The folder itself, as the user named it.
    command : str
        Name of the command.
    run : str
        Identifier of the run, from :func:`phenofit.output_folder.run_id`; set before anything is written.
    removed : list of str
        After the run: files of an earlier run of the command that this one does not write.
    """

    path: Path
    command: str
    run: str = ""
    removed: list[str] = field(default_factory=list)

    @property
    def staging(self) -> Path:
        """Folder to write into while the run goes on."""
        return self.path / _STAGING


@contextlib.contextmanager
def run_folder(path: Path, command: str, *, files: Sequence[str]) -> Iterator[RunFolder]:
    """Hold an output folder for one run: nothing is changed in it unless the block ends well.

    Parameters
    ----------
    path : Path
        The folder; made where absent, and removed again if the run fails and nothing else is in it.
    command : str
        Name of the command; the manifest lists the files of each command apart.
    files : sequence of str
        What will be written, as far as it is known; a name that ends with ``/`` is a folder. A folder in the place
        of a file, or the other way round, is refused at once.

    Yields
    ------
    RunFolder
        Write into its ``staging``. When the block ends well, the files are moved to their places. Files that the last
        run of the same command left, and that this one did not write, are removed, unless they have been changed
        since. Nothing else in the folder is touched.

    Raises
    ------
    DataError
        If the folder or a file in it cannot be written, or another run is writing into it.
    """
    with _made_folders(path):
        try:
            stream = lock_folder(path)
        except OSError as fault:
            raise _not_writable(path, fault) from None
        if stream is None:
            remedy = "Wait until it has ended, or choose another folder with --out."
            raise DataError(
                Problem("another run of phenofit is writing into this folder.", remedy, str(path))
            )
        folder = RunFolder(path, command)
        try:
            _refuse_other_kinds(path, (*files, MANIFEST))
            _prepare(folder)
            yield folder
            _commit(folder)
        finally:
            shutil.rmtree(folder.staging, ignore_errors=True)
            unlock_folder(path, stream)


@contextlib.contextmanager
def optional_run_folder(
    path: Path | None, command: str, *, files: Sequence[str]
) -> Iterator[RunFolder | None]:
    """Hold an output folder as :func:`run_folder` does, or give None where no folder is asked for."""
    if path is None:
        yield None
        return
    with run_folder(path, command, files=files) as folder:
        yield folder


def _prepare(folder: RunFolder) -> None:
    try:
        _sweep(folder.path)
        folder.staging.mkdir()
    except OSError as fault:
        raise _not_writable(folder.path, fault) from None


def _refuse_other_kinds(path: Path, names: Iterable[str]) -> None:
    """Refuse a folder in the place of a file that will be written, and a file in the place of a folder."""
    for name in names:
        target = path / name
        if name.endswith("/") and target.is_file():
            raise DataError(Problem("this is a file; a folder is needed here.", "Move it away.", str(target)))
        if not name.endswith("/") and target.is_dir():
            raise DataError(Problem("this is a folder; a file is needed here.", "Move it away.", str(target)))


@contextlib.contextmanager
def _made_folders(path: Path) -> Iterator[None]:
    """Remove the parent folders that were missing before, if they are empty in the end."""
    try:
        missing = [one for one in (path, *path.parents) if not one.exists()]
    except OSError as fault:
        raise _not_writable(path, fault) from None
    try:
        yield
    finally:
        for one in missing:
            with contextlib.suppress(OSError):
                one.rmdir()


def check_writable(path: Path | None) -> None:
    """Refuse an output file that cannot be written, before anything is computed.

    Parameters
    ----------
    path : Path or None
        The file; None: no output is wanted.

    Raises
    ------
    DataError
        If it is a folder, or its folder cannot be made or written.
    """
    if path is None:
        return
    if path.is_dir() and path.suffix.lower() != ".zarr":
        raise DataError(Problem("this is a folder.", "Name a file in it.", str(path)))
    with _made_folders(path.parent):
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryFile(dir=path.parent):
                pass
        except OSError as fault:
            raise _not_writable(path.parent, fault) from None


def _not_writable(path: Path, fault: OSError) -> DataError:
    if isinstance(fault, FileExistsError | NotADirectoryError):
        name = next((p for p in (path, *path.parents) if p.is_file()), path)
        finding = f"'{name}' is a file, so this can be no folder."
    else:
        finding = f"nothing can be written here: {fault.strerror or fault}."
    return DataError(Problem(finding, "Choose another folder with --out.", str(path)))


@dataclass(frozen=True)
class _File:
    """A file that a run of ours has written; `complete` says whether all files of that run are known to be in place."""

    name: str
    sha256: str
    command: str
    run: str
    phenofit: str
    complete: bool = True

    def unchanged(self, folder: Path) -> bool:
        """Return whether the file still is what the run wrote."""
        file = folder / self.name
        return file.is_file() and not file.is_symlink() and file_hash(file) == self.sha256


def _commit(folder: RunFolder) -> None:
    """Move the files of the run to their places, and say in the manifest whose they are."""
    path = folder.path
    staged = sorted(one for one in folder.staging.rglob("*") if one.is_file())
    if not staged:
        return
    if not folder.run:
        raise ValueError("a run that writes files needs an identifier.")
    names = [one.relative_to(folder.staging).as_posix() for one in staged]
    _refuse_other_kinds(path, names)
    new = [
        _File(name, file_hash(one), folder.command, folder.run, phenofit_version())
        for name, one in zip(names, staged, strict=True)
    ]
    old = _known_files(path)
    # Until the manifest is written again, the files of this command may come from two runs.
    doubtful = [
        replace(one, complete=False) if one.command == folder.command else one for one in (*old, *new)
    ]
    write_text(path / _JOURNAL, _text({"complete": False, "entries": [vars(one) for one in doubtful]}))
    (path / MANIFEST).unlink(missing_ok=True)
    for name, file in zip(names, staged, strict=True):
        target = path / name
        target.parent.mkdir(parents=True, exist_ok=True)
        file.replace(target)
    others = [one for one in old if one.name not in names and one.unchanged(path)]
    for one in (one for one in others if one.command == folder.command):
        (path / one.name).unlink()
        folder.removed.append(one.name)
        if (path / one.name).parent != path:
            with contextlib.suppress(OSError):  # other files are in it
                (path / one.name).parent.rmdir()
    kept = [one for one in others if one.command != folder.command]
    write_text(path / MANIFEST, _text(_manifest(folder.run, [*kept, *new])))
    (path / _JOURNAL).unlink(missing_ok=True)


def _manifest(run: str, files: Sequence[_File]) -> dict[str, object]:
    runs: dict[tuple[str, str, str, bool], list[str]] = {}
    for one in sorted(files, key=lambda f: (f.command, f.run, f.name)):
        runs.setdefault((one.command, one.run, one.phenofit, one.complete), []).append(one.name)
    return {
        "complete": all(one.complete for one in files),
        "run": run,
        "files": {one.name: one.sha256 for one in files},
        "runs": [
            {"command": command, "run": its_run, "phenofit": version, "complete": complete, "files": names}
            for (command, its_run, version, complete), names in runs.items()
        ],
    }


def _known_files(path: Path) -> list[_File]:
    """Return the files that earlier runs are known to have written, from the manifest or from a killed run's journal."""
    found: list[_File] = []
    # A file that cannot be read as ours names nothing of ours.
    with contextlib.suppress(OSError, ValueError, TypeError, LookupError, AttributeError):
        document = json.loads((path / MANIFEST).read_text(encoding="utf-8"))
        for run in document["runs"]:
            facts = (str(run["command"]), str(run["run"]), str(run["phenofit"]), bool(run["complete"]))
            found += [_File(str(name), str(document["files"][name]), *facts) for name in run["files"]]
    with contextlib.suppress(OSError, ValueError, TypeError, LookupError, AttributeError):
        document = json.loads((path / _JOURNAL).read_text(encoding="utf-8"))
        found += [_File(**one) for one in document["entries"]]
    inside = {(one.name, one.sha256): one for one in found if _is_inside(str(one.name))}
    return list(inside.values())


def _is_inside(name: str) -> bool:
    """Return whether a name of a manifest is that of a file in the folder, even if somebody has edited the manifest."""
    parts = PurePosixPath(name).parts
    return bool(parts) and not PurePosixPath(name).is_absolute() and ".." not in parts and "\\" not in name


def _sweep(path: Path) -> None:
    """Remove what killed runs left behind: their unfinished files, by our own names only."""
    shutil.rmtree(path / _STAGING, ignore_errors=True)
    for name in {one.name for one in _known_files(path)} | {MANIFEST, _JOURNAL}:
        target = path / name
        ours = re.compile(rf"\.{re.escape(target.stem)}-[a-z0-9_]{{8}}{re.escape(target.suffix)}")
        if target.parent.is_dir():
            for one in target.parent.iterdir():
                if ours.fullmatch(one.name) and one.is_file():
                    one.unlink()


def _text(document: Mapping[str, object]) -> str:
    return json.dumps(document, ensure_ascii=False, indent=1, sort_keys=True) + "\n"
