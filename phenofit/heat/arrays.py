"""Degree-days of whole arrays of days: the exact kernels cell by cell, or the fast sine for float32."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from phenofit.errors import DataError, Problem
from phenofit.heat.compiled.daily_kernels import METHOD_CODES
from phenofit.heat.compiled.day_arrays import exact_days, exact_slopes
from phenofit.heat.compiled.fast_sine import FAST_CUTOFFS, fast_sine_days
from phenofit.heat.compiled.threads import split_work

Floats = npt.NDArray[np.floating]

_SINGLE_SINE = METHOD_CODES["single sine"]
_DOUBLE = (METHOD_CODES["double sine"], METHOD_CODES["double triangle"])


def heat_of_days(
    tmin: Floats,
    tmax: Floats,
    next_tmin: Floats | None,
    *,
    codes: tuple[int, int],
    base: float,
    upper: float,
    threads: int | None = None,
    out: Floats | None = None,
) -> Floats:
    """Return the degree-days of every day of an array."""
    low, high = _flat(tmin), _flat(tmax)
    result = np.empty(tmax.shape, dtype=tmax.dtype) if out is None else out
    flat = result.reshape(-1)
    if codes[0] == _SINGLE_SINE and codes[1] in FAST_CUTOFFS and low.dtype == np.float32:

        def work(first: int, last: int) -> int:
            return fast_sine_days(
                low[first:last],
                high[first:last],
                flat[first:last],
                codes[1],
                np.float32(base),
                np.float32(upper),
            )
    else:
        third = _flat(next_tmin) if next_tmin is not None and codes[0] in _DOUBLE else low

        def work(first: int, last: int) -> int:
            part = slice(first, last)
            return exact_days(low[part], high[part], third[part], flat[part], *codes, base, upper)

    inverted = split_work(flat.size, work, threads=threads)
    if inverted:
        raise _inverted(low, high, tmax.shape, inverted)
    return result


def slopes_of_days(
    tmin: Floats, tmax: Floats, next_tmin: Floats | None, *, codes: tuple[int, int], base: float, upper: float
) -> tuple[Floats, Floats, Floats]:
    """Return degree-days and their slopes in base and upper threshold; the arguments of `heat_of_days`."""
    low, high = _flat(tmin), _flat(tmax)
    third = _flat(next_tmin) if next_tmin is not None else low
    heat, d_base, d_upper = (np.empty(low.size, dtype=np.float64) for _ in range(3))

    def work(first: int, last: int) -> int:
        part = slice(first, last)
        return exact_slopes(
            low[part], high[part], third[part], heat[part], d_base[part], d_upper[part], *codes, base, upper
        )

    inverted = split_work(low.size, work)
    if inverted:
        raise _inverted(low, high, tmax.shape, inverted)
    shape = tmax.shape
    return heat.reshape(shape), d_base.reshape(shape), d_upper.reshape(shape)


def _flat(values: Floats) -> Floats:
    return np.ascontiguousarray(values).reshape(-1)


def _inverted(low: Floats, high: Floats, shape: tuple[int, ...], count: int) -> DataError:
    first = int(np.argmax(low > high))
    index = ", ".join(str(int(k)) for k in np.unravel_index(first, shape)) if shape else ""
    where = f" at index [{index}]" if math.prod(shape) > 1 else ""
    days = "1 day has" if count == 1 else f"{count} days have"
    return DataError(
        Problem(
            f"{days} a minimum above the maximum (first{where}: {float(low[first]):g} above "
            f"{float(high[first]):g}).",
            "Correct them, or set both temperatures of such a day to missing; they are never exchanged automatically.",
        )
    )
