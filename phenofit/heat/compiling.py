"""One typed door to the compiler, so that every kernel is built with the same choices."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TypeVar, cast

import numba

from phenofit.heat.stale import drop_stale_code

__all__ = ["compiled", "compiled_fast"]

_F = TypeVar("_F", bound=Callable[..., object])

# Everything but "no NaN" and "no infinity": missing days are NaN and must stay NaN.
_REORDERING = {"contract", "reassoc", "nsz", "arcp", "afn"}

# Before any kernel of the package runs: every room with kernels imports this one.
drop_stale_code(Path(__file__).parents[1])


def compiled(function: _F) -> _F:
    """Compile a function without the interpreter lock; the machine code is cached on disk.

    Parameters
    ----------
    function : callable
        Scalar or array code in the subset that the compiler knows.

    Returns
    -------
    callable
        The compiled function, callable from Python and from other compiled functions.

    Notes
    -----
    Kernels are built for one thread and split by :mod:`phenofit.heat.threads`, because the compiler's own
    parallel loops stop the process when two threads enter them at once, as the workers of a task graph do.
    """
    return _named(numba.njit(cache=True, nogil=True, error_model="numpy")(function), function)


def compiled_fast(function: _F) -> _F:
    """Compile like :func:`compiled`, with floating-point operations free to be reordered and fused."""
    built = numba.njit(cache=True, nogil=True, error_model="numpy", fastmath=_REORDERING)(function)
    return _named(built, function)


def _named(built: object, function: _F) -> _F:
    # Lets inspection, and so the doctests, find the function behind the compiled one.
    built.__wrapped__ = function  # type: ignore[attr-defined]
    return cast(_F, built)
