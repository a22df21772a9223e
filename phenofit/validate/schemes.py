"""Which trap-years are held out together, and which the forecaster may learn from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from phenofit.errors import ModelError
from phenofit.files.tables import nearest

if TYPE_CHECKING:
    import pandas as pd

    from phenofit.traps import TrapYears

SCHEMES = {
    "year": "leave a year out",
    "site": "leave a site out",
    "past": "past years only",
    "block": "leave a block of neighbouring sites out",
    "year and site": "leave a year and a site out",
    "year and block": "leave a year and a block of neighbouring sites out",
}
"""Ways to hold data out, in words."""


LEAD_DAYS = (28, 14, 7, 0)
"""Lead times at which a study is validated unless it asks for others [d]."""


@dataclass(frozen=True)
class Scheme:
    """What a validation holds out, which events it forecasts, and when.

    Parameters
    ----------
    leave_out : str
        One of ``SCHEMES``.
    events : sequence of str
        Events to forecast; those of published thresholds are added.
    lead_days : sequence of int
        Lead times: numbers of days before the event at which it is forecast too, with past years as the weather to
        come [d].
    min_moths : int
        Fewest moths of a flight in a trap-year that is scored.
    blocks, first_years : int
        See :func:`phenofit.validate.make_folds`.
    draws, seed : int
        Draws behind each forecast and their seed.
    """

    leave_out: str = "year"
    events: Sequence[str] = ("flight_5", "flight_50", "flight_95")
    lead_days: Sequence[int] = ()
    min_moths: int = 5
    blocks: int = 4
    first_years: int = 3
    draws: int = 400
    seed: int = 1


@dataclass(frozen=True)
class Fold:
    """One split of the trap-years.

    Parameters
    ----------
    name : str
        What is held out.
    train, test : array of bool, shape (trap-years,)
        Which trap-years are learnt from, and which are forecast.
    """

    name: str
    train: npt.NDArray[np.bool_]
    test: npt.NDArray[np.bool_]


def make_folds(
    trap_years: TrapYears, scheme: str = "year", *, blocks: int = 4, first_years: int = 3
) -> tuple[Fold, ...]:
    """Split trap-years into folds.

    Parameters
    ----------
    trap_years : TrapYears
        The records.
    scheme : str
        One of ``SCHEMES``.
    blocks : int
        Number of blocks of neighbouring sites.
    first_years : int
        With past years only: the fewest years to learn from.

    Returns
    -------
    tuple of Fold
        In order of their names; a trap-year is in the test part of at most one.

    Raises
    ------
    ModelError
        If there is no such scheme, or the records do not allow a single fold.

    Notes
    -----
    Blocks are cut along the direction in which the sites are spread widest, so that neighbours fall together and
    each block has about as many sites as the others.
    """
    if scheme not in SCHEMES:
        raise ModelError(
            f"'{scheme}' is not a way to hold data out; accepted are {', '.join(SCHEMES)}.{nearest(scheme, SCHEMES)}"
        )
    years = trap_years.years
    season, site = years["year"].to_numpy(dtype=np.int64), years["site"].astype(str).to_numpy()
    label = {int(y): str(s) for y, s in zip(season[::-1], years["season"].to_numpy()[::-1], strict=True)}
    if scheme == "past":
        found = [Fold(label[y], season < y, season == y) for y in np.unique(season)[first_years:]]
    else:
        parts = []
        if "site" in scheme:
            parts.append([(str(s), site == s) for s in np.unique(site)])
        if "block" in scheme:
            block = _blocks(years, blocks)
            parts.append([(f"block {b + 1}", block == b) for b in np.unique(block)])
        if "year" in scheme:
            parts.append([(label[y], season == y) for y in np.unique(season)])
        found = []
        for held in product(*parts):
            name = ", ".join(reversed([words for words, _ in held]))
            inside = np.vstack([mask for _, mask in held])
            found.append(Fold(name, np.asarray(~inside.any(axis=0)), np.asarray(inside.all(axis=0))))
    found = [fold for fold in found if fold.train.any() and fold.test.any()]
    if not found:
        raise ModelError(
            f"the records do not allow to {SCHEMES[scheme] if scheme != 'past' else 'learn from past years only'}: "
            f"there are {np.unique(season).size} years and {np.unique(site).size} sites."
        )
    return tuple(found)


def _blocks(years: pd.DataFrame, blocks: int) -> npt.NDArray[np.int64]:
    """Return the block of every trap-year."""
    places = years.groupby("site", sort=True)[["latitude", "longitude"]].mean()
    if len(places) < 2 or blocks < 2:
        raise ModelError(f"blocks need two sites and two blocks; there are {len(places)} sites and {blocks}.")
    latitude = places["latitude"].to_numpy(dtype=np.float64)
    longitude = places["longitude"].to_numpy(dtype=np.float64)
    # Counted from the first site, so that a network across the date line stays together.
    east = (longitude - longitude[0] + 180.0) % 360.0 - 180.0
    plane = np.column_stack([east * np.cos(np.radians(latitude.mean())), latitude])
    plane -= plane.mean(axis=0)
    _, _, axes = np.linalg.svd(plane, full_matrices=False)
    # The sign of an axis is arbitrary; eastward (or northward) keeps the numbers of the blocks the same.
    axis = axes[0] * (1.0 if axes[0][np.argmax(np.abs(axes[0]))] > 0 else -1.0)
    rank = np.argsort(np.argsort(plane @ axis, kind="stable"), kind="stable")
    count = min(blocks, len(places))
    number = dict(zip(places.index.astype(str), rank * count // len(places), strict=True))
    return np.array([number[str(s)] for s in years["site"]], dtype=np.int64)
