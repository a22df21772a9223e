"""Machine code kept on disk is dropped when anything that it was compiled from has changed.

The compiler's own cache looks at the file of a compiled function only. A kernel takes in the kernels that it
calls, though, so after a change in one file the code of another is out of date: while developing, and in an
installation that was upgraded in place. Here every file with kernels has a stamp over itself and the files with
kernels that it imports, kept beside the machine code; where the stamp is another one, that file's code goes.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import tempfile
import warnings
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import FunctionType

import numba

from phenofit.errors import PhenofitWarning

__all__ = ["drop_stale_code", "kernel_sources"]

STAMPS = "phenofit-kernels.json"
"""Name of the file with the stamps, beside the machine code of a room."""

_HOLDS_KERNELS = re.compile(
    rb"^(?:[ \t]*@(?:numba\.)?(?:n?jit|\w*vectorize|compiled\w*)\b|import numba\b|from numba\b)", re.MULTILINE
)
_IMPORT = re.compile(
    rb"^[ \t]*(?:from[ \t]+(\w+(?:\.\w+)+)[ \t]+import[ \t]+(\([^)]*\)|[^\n#]*)|import[ \t]+(\w+(?:\.\w+)+))",
    re.MULTILINE,
)


def kernel_sources(package: Path) -> dict[Path, frozenset[Path]]:
    """Return, for every file of a package that holds kernels, the files that its machine code is made from.

    Parameters
    ----------
    package : Path
        Folder of the package; its name is the package's.

    Returns
    -------
    dict of Path to frozenset of Path
        The file itself, the files with kernels that it imports, and those that they import. A constant that a
        kernel uses must stand in one of them.
    """
    texts = {path: path.read_bytes() for path in sorted(package.rglob("*.py"))}
    kernels = {path: text for path, text in texts.items() if _HOLDS_KERNELS.search(text)}
    imports = {path: _imported(text, package) & kernels.keys() for path, text in kernels.items()}
    found = {}
    for path in kernels:
        needed, fresh = {path}, {path}
        while fresh:
            fresh = set().union(*(imports[p] for p in fresh)) - needed
            needed |= fresh
        found[path] = frozenset(needed)
    return found


def drop_stale_code(package: Path) -> int:
    """Remove the machine code of kernels whose sources, or those of the kernels they call, have changed.

    Parameters
    ----------
    package : Path
        Folder of the package.

    Returns
    -------
    int
        Number of files removed. Only index and code files of the package's own kernels are touched, wherever the
        compiler keeps them: beside the sources, in ``NUMBA_CACHE_DIR``, or in the user's cache folder.

    Warns
    -----
    PhenofitWarning
        Where code that is out of date cannot be removed.

    Notes
    -----
    To be called before a kernel runs for the first time; the compiler reads its cache at that call. A process
    that loses a race only compiles once more.
    """
    rooms: dict[Path, dict[str, str]] = {}
    for path, sources in kernel_sources(package).items():
        rooms.setdefault(path.parent, {})[path.stem] = _stamp(sources, package)
    removed = 0
    for room, stamps in rooms.items():
        folder = _code_folder(room)
        if folder is not None:
            removed += _drop_in(folder, stamps)
    return removed


def _stamp(sources: Iterable[Path], package: Path) -> str:
    digest = hashlib.sha256()
    for path in sorted(sources):
        digest.update(path.relative_to(package).as_posix().encode() + b"\0")
        digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


def _imported(text: bytes, package: Path) -> set[Path]:
    """Return the files that a source may import, where they lie in the package (existing or not)."""
    found = set()
    for source, names, whole in _IMPORT.findall(text):
        module = (source or whole).decode()
        parts = module.split(".")
        if parts[0] != package.name:
            continue
        folder = package.joinpath(*parts[1:])
        found |= {folder.with_suffix(".py"), folder / "__init__.py"}
        found |= {folder / f"{name}.py" for name in re.findall(r"\w+", names.decode())}
    return found


def _code_folder(room: Path) -> Path | None:
    """Return where the machine code of a room is kept; None where compiling is switched off."""
    # Asked of the compiler itself, so that its rules (settings, read-only folders) need not be known here.
    probe = FunctionType(_probe.__code__.replace(co_filename=str(room / "__init__.py")), {}, "probe")
    stats = getattr(numba.njit(cache=True)(probe), "stats", None)
    return Path(stats.cache_path) if stats is not None and stats.cache_path else None


def _probe() -> None:
    pass


def _drop_in(folder: Path, stamps: Mapping[str, str]) -> int:
    known = _read(folder / STAMPS)
    if known == stamps:
        return 0
    removed, kept = 0, set()
    for stem in {name for name, stamp in stamps.items() if known.get(name) != stamp}:
        for path in [*folder.glob(f"{stem}.*.nbi"), *folder.glob(f"{stem}.*.nbc")]:
            try:
                path.unlink(missing_ok=True)
                removed += 1
            except OSError as error:
                kept.add(stem)
                warnings.warn(
                    f"the machine code in {path} is out of date and cannot be removed ({error.strerror}); "
                    "delete it, or results may come from an earlier version.",
                    PhenofitWarning,
                    stacklevel=4,
                )
    _write(folder / STAMPS, {name: stamp for name, stamp in stamps.items() if name not in kept})
    return removed


def _read(path: Path) -> dict[str, str]:
    try:
        content = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError):  # none yet, or cut short: all code counts as out of date
        return {}
    return content if isinstance(content, dict) else {}


def _write(path: Path, stamps: Mapping[str, str]) -> None:
    # Without the stamps the next start compiles anew, which is slow and right; so no failure matters here.
    with contextlib.suppress(OSError):
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f"{path.name}.")
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            json.dump(dict(sorted(stamps.items())), file, indent=1)
        Path(name).replace(path)
