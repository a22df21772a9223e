"""The compiler with types: every kernel is built with the same options."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import numba
from numba.core import config as _numba_config

_F = TypeVar("_F", bound=Callable[..., object])

KERNEL_ROOMS = ("heat/compiled", "flight/kernels")
"""Every kernel, and every constant that a kernel uses, is in one of these folders of the package."""

# Everything but "no NaN" and "no infinity": missing days are NaN and must stay NaN.
_REORDERING = {"contract", "reassoc", "nsz", "arcp", "afn"}


def cache_folder(package: Path) -> Path:
    """Return where the machine code of a package is kept: a folder named by a hash of its kernel sources."""
    digest = hashlib.sha256()
    for room in KERNEL_ROOMS:
        for path in sorted((package / room).glob("*.py")):
            digest.update(f"{room}/{path.name}".encode() + b"\0" + path.read_bytes() + b"\0")
    name = f"phenofit-kernels-{digest.hexdigest()[:16]}"
    beside = package / "__pycache__"
    if os.environ.get("NUMBA_CACHE_DIR"):
        return Path(os.environ["NUMBA_CACHE_DIR"]) / name
    if os.access(beside if beside.is_dir() else package, os.W_OK):
        return beside / name
    own = os.environ.get("LOCALAPPDATA") or os.environ.get("XDG_CACHE_HOME")
    return (Path(own) if own else Path.home() / ".cache") / name


_CACHE = str(cache_folder(Path(__file__).parents[2]))


def compiled(function: _F) -> _F:
    """Compile a function without the interpreter lock; the machine code is kept on disk."""
    return _built(function, fastmath=False)


def compiled_fast(function: _F) -> _F:
    """Compile like :func:`compiled`, with floating-point operations free to be reordered and fused."""
    return _built(function, fastmath=_REORDERING)


def _built(function: _F, **options: Any) -> _F:
    # The folder is a setting of the whole process: it is set for our kernels only.
    settings = vars(_numba_config)
    before, settings["CACHE_DIR"] = settings["CACHE_DIR"], _CACHE
    try:
        built = numba.njit(cache=True, nogil=True, error_model="numpy", **options)(function)
    finally:
        settings["CACHE_DIR"] = before
    # Inspection, and with it the doctests, finds the source function by this attribute.
    built.__wrapped__ = function
    return cast(_F, built)
