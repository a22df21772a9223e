"""Work on whole time lines of arrays, block by block where they are lazy."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

Block = Callable[..., npt.NDArray[Any]]


def on_lines(block: Block, dtype: np.dtype[Any], tail: tuple[int, ...]) -> Callable[..., Any]:
    """Return a function of arrays with days last that gives arrays with `tail` in their place.

    Blocks of a lazy first array stay as they lie in memory: a general rule for core dimensions would copy each of them
    with days last, and a grid is stored day after day.
    """

    def applied(lines: Any, *more: Any) -> Any:
        if isinstance(lines, np.ndarray):
            return block(lines, *more)
        import dask.array as da

        chunks = (*lines.chunks[:-1], *((size,) for size in tail))
        new = list(range(lines.ndim, lines.ndim - 1 + len(tail)))
        return da.map_blocks(  # type: ignore[no-untyped-call]
            block,
            lines,
            *more,
            dtype=dtype,
            chunks=chunks,
            new_axis=new or None,
            meta=np.empty((0,) * (lines.ndim - 1 + len(tail)), dtype),
        )

    return applied
