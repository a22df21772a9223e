"""Files written whole or not at all, and the facts that let an output be traced to its inputs."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import os
import platform
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from importlib import metadata
from pathlib import Path
from typing import Any

__all__ = ["file_hash", "safe_cell", "versions", "write_csv", "write_text", "writing"]

_FORMULA_START = ("=", "+", "-", "@", "\t", "\r")
_PACKAGES = ("numpy", "scipy", "pandas", "xarray", "numba", "statsmodels", "meteostat")


@contextlib.contextmanager
def writing(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Give a temporary name beside `path`, and rename it to `path` when the block ends well.

    Parameters
    ----------
    path : path-like
        The file to be written; its folder is made where absent.

    Yields
    ------
    Path
        The name to write to; it ends like `path`, so that writers that look at the ending are content.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    target = Path(path)
    target.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=f".{target.stem}-", suffix=target.suffix, dir=target.parent)
    os.close(handle)
    temporary = Path(name)
    try:
        yield temporary
        temporary.chmod(0o644)
        temporary.replace(target)
    finally:
        temporary.unlink(missing_ok=True)


def write_text(path: str | os.PathLike[str], text: str) -> None:
    """Write a UTF-8 text file whole or not at all."""
    with writing(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def safe_cell(value: Any) -> Any:
    """Keep a text cell from being run as a formula by a spreadsheet.

    Parameters
    ----------
    value : Any
        A cell; numbers and other non-texts pass unchanged.

    Returns
    -------
    Any
        Texts that begin like a formula get a leading apostrophe.

    Examples
    --------
    >>> safe_cell("=1+1")
    "'=1+1"
    >>> safe_cell(-3.0)
    -3.0
    """
    if isinstance(value, str) and value.startswith(_FORMULA_START):
        return "'" + value
    return value


def write_csv(
    path: str | os.PathLike[str],
    columns: Sequence[str],
    rows: Iterable[Sequence[Any] | Mapping[str, Any]],
) -> None:
    """Write a comma-separated table whole or not at all, text cells made safe.

    Parameters
    ----------
    path : path-like
        Where to.
    columns : sequence of str
        Header.
    rows : iterable of sequences or mappings
        The cells; ``None`` and NaN become empty cells.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        cells = [row.get(c) for c in columns] if isinstance(row, Mapping) else list(row)
        writer.writerow(["" if _is_missing(c) else safe_cell(c) for c in cells])
    write_text(path, buffer.getvalue())


def _is_missing(value: Any) -> bool:
    # NaN, NaT and pandas.NA are the values that are not equal to themselves; NA answers with NA.
    if value is None:
        return True
    try:
        return bool(value != value)  # noqa: PLR0124 - that is what tells NaN
    except (TypeError, ValueError):
        return True


def file_hash(path: str | os.PathLike[str]) -> str:
    """Return the SHA-256 of a file as hexadecimal text."""
    with Path(path).open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def versions() -> dict[str, str]:
    """Return the versions that a result depends on: phenofit, Python and the numeric packages."""
    found = {"phenofit": phenofit_version(), "python": platform.python_version()}
    for package in _PACKAGES:
        with contextlib.suppress(metadata.PackageNotFoundError):
            found[package] = metadata.version(package)
    return found


def phenofit_version() -> str:
    """Return the installed version of phenofit."""
    try:
        return metadata.version("phenofit-toolkit")
    except metadata.PackageNotFoundError:
        return "not installed"
