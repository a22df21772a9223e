"""The station table: positions and names of the stations."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from phenofit.errors import DataError, Problem
from phenofit.files.cells import parse_numbers
from phenofit.files.tables import read_table
from phenofit.files.text_table import TableSource


def read_stations(
    path: TableSource, *, columns: Mapping[str, str] | None = None
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Read a station table.

    Parameters
    ----------
    path : path-like or pandas.DataFrame
        Delimited text with ``station, latitude, longitude`` and optionally ``elevation_m`` (may be blank) and
        ``name``.
    columns : mapping, optional
        Our column name to the name in the file, where they differ.

    Returns
    -------
    stations : pandas.DataFrame
        Columns ``station, name, latitude, longitude`` [degrees], ``elevation_m`` [m].
    notes : tuple of str
        What was skipped.

    Raises
    ------
    DataError
        If a column is absent, a station is a duplicate, or a position is not on the globe.
    """
    table = read_table(
        path, columns=columns, required=["station", "latitude", "longitude"], optional=["elevation_m", "name"]
    )
    latitude, faults = parse_numbers(
        table, "latitude", required=True, low=-90, high=90, what="degrees north, southern ones negative,"
    )
    longitude, more = parse_numbers(
        table, "longitude", required=True, low=-180, high=180, what="degrees east, western ones negative,"
    )
    problems: list[Problem] = [*faults, *more]
    elevation = np.full(len(latitude), np.nan)
    if "elevation_m" in table.frame:
        elevation, more = parse_numbers(
            table, "elevation_m", low=-500, high=9000, what="metres above sea level"
        )
        problems += more
    ids = table.frame["station"]
    problems += table.problems(ids == "", "station", "has no station id.", "Write one.")
    again = ids.duplicated() & (ids != "")
    remedy = "Keep one row for each station."
    problems += table.problems(again, "station", "station '{cell}' is a duplicate.", remedy)
    if problems:
        raise DataError(problems)
    names = table.frame.get("name", ids)
    frame = pd.DataFrame(
        {
            "station": ids.astype(str),
            "name": names.where(names != "", ids).astype(str),
            "latitude": latitude,
            "longitude": longitude,
            "elevation_m": elevation,
        }
    )
    return frame, tuple(f"{Path(table.file).name}: {note}" for note in table.notes)
