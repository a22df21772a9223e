"""Files written whole or not at all, and the facts that let an output be traced to its inputs."""

from __future__ import annotations

import contextlib
import csv
import errno
import hashlib
import io
import json
import os
import platform
import stat
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from importlib import metadata
from pathlib import Path
from typing import Any

from phenofit.errors import DataError, Problem

LARGEST_TABLE = 2 * 1024**3
"""Largest table that is read [bytes]."""

LARGEST_TEXT = 256 * 1024**2
"""Largest study file, fit file or GeoJSON that is read [bytes]."""

_PROBE = 1024**2
_FORMULA_START = ("=", "+", "-", "@", "\t", "\r")
_PACKAGES = ("numpy", "scipy", "pandas", "xarray", "numba", "statsmodels", "meteostat")


@contextlib.contextmanager
def writing(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Yield a temporary name beside `path`, and rename it to `path` when the block ends well.

    Parameters
    ----------
    path : path-like
        The file to be written; its folder is made where absent.

    Yields
    ------
    Path
        The name to write to; it ends like `path`, for writers that depend on the ending.

    Raises
    ------
    OSError
        If the folder or the file cannot be written, whatever the library that writes it raises.
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
    except Exception as fault:
        if not _writer_failed(fault, temporary):
            raise
        # NetCDF and raster libraries raise their own kind of error on a full disk.
        known = (fault.errno, fault.strerror) if isinstance(fault, OSError) else (None, None)
        number, words = _refused_bytes(temporary) or known
        words = words or f"the file could not be written ({fault})"
        raise OSError(number or errno.EIO, words, str(target)) from fault
    finally:
        temporary.unlink(missing_ok=True)


def _writer_failed(fault: Exception, temporary: Path) -> bool:
    """Return whether an error is one of writing the file, from us or from a library."""
    if isinstance(fault, OSError):
        return fault.filename is None or os.fspath(fault.filename) == str(temporary)
    foreign = type(fault).__module__.split(".")[0] in ("netCDF4", "rasterio")
    return foreign or (type(fault) is RuntimeError and str(fault).startswith("NetCDF: "))


def _refused_bytes(path: Path) -> tuple[int | None, str | None] | None:
    """Return why no more bytes can be written to a file, or None where they can: a library does not always report it."""
    try:
        with path.open("ab") as stream:
            stream.write(bytes(_PROBE))
    except OSError as fault:
        return fault.errno, fault.strerror
    return None


def write_text(path: str | os.PathLike[str], text: str) -> None:
    """Write a UTF-8 text file whole or not at all."""
    with writing(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")


def require_regular(
    path: str | os.PathLike[str], *, limit: int | None = LARGEST_TABLE, remedy: str = "Check the name."
) -> Path:
    """Return the path of an input, or refuse it before it is read.

    Parameters
    ----------
    path : path-like
        The file, as the user wrote it.
    limit : int or None
        Largest size accepted [bytes]; ``None`` for a file that is read in parts.
    remedy : str
        What to do where there is no such file.

    Returns
    -------
    Path

    Raises
    ------
    DataError
        If there is no such file, it is a folder, a device or a pipe, it cannot be read or is larger than the limit.
    """
    shown = os.fspath(path)
    try:
        found = Path(path).stat()
    except (FileNotFoundError, NotADirectoryError):
        raise DataError(Problem("the file does not exist.", remedy, shown)) from None
    except ValueError:
        name = shown.replace("\0", "\\0")
        raise DataError(Problem("the name holds a NUL character.", "Correct the name.", name)) from None
    except OSError as fault:
        finding = f"the file cannot be read: {fault.strerror or fault}."
        raise DataError(Problem(finding, "Check the name.", shown)) from None
    if stat.S_ISDIR(found.st_mode):
        raise DataError(Problem("this is a folder, not a file.", "Name a file in it.", shown))
    if not stat.S_ISREG(found.st_mode):
        raise DataError(Problem("this is a device or a pipe, not a file.", "Save the data as a file.", shown))
    if limit is not None and found.st_size > limit:
        size = f"{found.st_size / 1024**2:.0f} MiB; at most {limit / 1024**2:.0f} MiB are read"
        raise DataError(Problem(f"the file has {size}.", "Give a smaller file, or split it.", shown))
    return Path(path)


def read_text(path: str | os.PathLike[str], *, remedy: str = "Check the name.") -> str:
    """Return the text of a small UTF-8 file.

    Raises
    ------
    DataError
        As :func:`require_regular`, or if the file is not UTF-8 text.
    """
    file, shown = require_regular(path, limit=LARGEST_TEXT, remedy=remedy), os.fspath(path)
    try:
        return file.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise DataError(Problem("the file is not UTF-8 text.", "Save it as UTF-8.", shown)) from None
    except OSError as fault:
        raise DataError(Problem(f"the file cannot be read: {fault.strerror or fault}.", "", shown)) from None


def read_json(path: str | os.PathLike[str], *, remedy: str) -> Any:
    """Return the content of a JSON file.

    Raises
    ------
    DataError
        As :func:`read_text`, or if the file is not JSON or is nested too deeply to be read.
    """
    text = read_text(path, remedy=remedy)
    try:
        return json.loads(text)
    except ValueError as fault:
        raise DataError(Problem(f"this is not JSON ({fault}).", remedy, os.fspath(path))) from None
    except RecursionError:
        raise DataError(Problem("the JSON is nested too deeply.", remedy, os.fspath(path))) from None


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
    path: str | os.PathLike[str], columns: Sequence[str], rows: Iterable[Sequence[Any] | Mapping[str, object]]
) -> None:
    """Write a comma-separated table whole or not at all, header and text cells made safe.

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
    writer.writerow([safe_cell(name) for name in columns])
    for row in rows:
        cells = [row.get(c) for c in columns] if isinstance(row, Mapping) else list(row)
        writer.writerow(["" if _is_missing(c) else safe_cell(c) for c in cells])
    write_text(path, buffer.getvalue())


def _is_missing(value: Any) -> bool:
    # NaN, NaT and pandas.NA are the values that are not equal to themselves; NA answers with NA.
    if value is None:
        return True
    try:
        return bool(value != value)  # noqa: PLR0124 - only NaN differs from itself
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
