"""A lock of the operating system on a folder: it ends with its process."""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import warnings
from pathlib import Path
from typing import IO

from phenofit.errors import PhenofitWarning

LOCK_NAME = ".phenofit-lock"
_TRIES = 100


def lock_folder(folder: Path) -> IO[bytes] | None:
    """Make a folder and lock it for this process."""
    path = folder / LOCK_NAME
    for _ in range(_TRIES):
        folder.mkdir(parents=True, exist_ok=True)
        try:
            stream = path.open("ab")
        except FileNotFoundError:  # the folder was removed just now, by a run that failed
            continue
        if not _locked(stream):
            stream.close()
            return None
        # The last process to hold it may have removed the file between our opening and locking: then nothing is
        # locked.
        with contextlib.suppress(FileNotFoundError):
            if os.path.samestat(os.fstat(stream.fileno()), path.stat()):
                return stream
        stream.close()
    return None


def unlock_folder(folder: Path, stream: IO[bytes]) -> None:
    """Remove a lock that :func:`lock_folder` gave."""
    path = folder / LOCK_NAME
    if sys.platform == "win32":  # an open file cannot be removed there; one that another run has opened stays
        stream.close()
        with contextlib.suppress(OSError):
            path.unlink()
    else:
        path.unlink(missing_ok=True)
        stream.close()


def _locked(stream: IO[bytes]) -> bool:
    """Lock an open file; return False if another process has."""
    try:
        if sys.platform == "win32":
            import msvcrt

            stream.seek(0)
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as fault:
        if fault.errno in (errno.EAGAIN, errno.EACCES, errno.EDEADLK):
            return False
        if fault.errno not in (errno.ENOLCK, errno.ENOTSUP, errno.ENOSYS):
            raise
        warnings.warn(
            f"the file system of '{stream.name}' has no locks; start no second run into this folder.",
            PhenofitWarning,
            stacklevel=2,
        )
    return True
