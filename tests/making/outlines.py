"""Pack the border lines of a TopoJSON topology into a small array file.

Only the lines are kept, each once, with a level: 0 coast or outer border, 1 border of a country or state,
2 border of a county. The files in ``phenofit/maps/outlines/`` were made by this module; see the notice beside them.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from phenofit.errors import DataError, Problem
from phenofit.files import writing

__all__ = ["pack_topology"]


def pack_topology(source: str | Path, target: str | Path, *, levels: Sequence[str]) -> int:
    """Write the arcs of a quantised topology as whole-number steps.

    Parameters
    ----------
    source : path-like
        A TopoJSON file with a ``transform``.
    target : path-like
        The ``.npz`` to write.
    levels : sequence of str
        Names of objects, outermost first; an arc gets the number of the first object that uses it.

    Returns
    -------
    int
        Number of lines written.

    Raises
    ------
    DataError
        If the file is not a quantised topology, or lacks an object.
    """
    topology = json.loads(Path(source).read_text(encoding="utf-8"))
    if topology.get("type") != "Topology" or "transform" not in topology:
        raise DataError(Problem("this is not a quantised topology.", "Give a TopoJSON file.", str(source)))
    absent = [name for name in levels if name not in topology["objects"]]
    if absent:
        there = ", ".join(topology["objects"])
        raise DataError(Problem(f"there is no object {absent[0]}.", f"The file has {there}.", str(source)))
    level = np.full(len(topology["arcs"]), 255, dtype=np.uint8)
    for number, name in reversed(list(enumerate(levels))):
        for arc in _arcs_of(topology["objects"][name]):
            level[arc if arc >= 0 else ~arc] = number
    used = np.flatnonzero(level < 255)
    arcs = [np.array(topology["arcs"][k], dtype=np.int32)[:, :2] for k in used]
    steps = np.vstack([arc[1:] for arc in arcs])
    narrow = np.int16 if np.abs(steps).max() < 2**15 else np.int32
    with writing(target) as temporary:
        np.savez_compressed(
            temporary,
            start=np.array([arc[0] for arc in arcs], dtype=np.int32),
            steps=steps.astype(narrow),
            length=np.array([len(arc) for arc in arcs], dtype=np.int32),
            level=level[used],
            scale=np.array(topology["transform"]["scale"]),
            origin=np.array(topology["transform"]["translate"]),
        )
    return len(arcs)


def _arcs_of(geometry: dict[str, Any]) -> Iterator[int]:
    for part in geometry.get("geometries", ()):
        yield from _arcs_of(part)
    waiting = [geometry.get("arcs", [])]
    while waiting:
        item = waiting.pop()
        if isinstance(item, int):
            yield item
        else:
            waiting.extend(item)
