"""The trap table: the position of each trap."""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence

import pandas as pd

from phenofit.errors import DataError, PhenofitWarning, Problem
from phenofit.files.cells import parse_dates
from phenofit.files.tables import read_table
from phenofit.files.text_table import Table, TableSource
from phenofit.globe import distance_km
from phenofit.traps.positions import position_problems, read_positions
from phenofit.traps.sheet_cells import covariate_columns, fill_down, row_text

TRAP_COLUMNS = ("trap", "site", "latitude", "longitude", "elevation_m", "station")
"""Columns that every trap table has after reading; covariates follow."""

_MOVED = "moved traps are separate series at each place"
_SAME_PLACE_KM = 0.05
"""Two positions nearer than this [km] are one place: the digits of a hand-held receiver."""


def read_traps(
    path: TableSource,
    *,
    columns: Mapping[str, str] | None = None,
    dates: str = "year-first",
    fill: Sequence[str] = (),
) -> pd.DataFrame:
    r"""Read a trap table.

    Parameters
    ----------
    path : path-like or pandas.DataFrame
        Delimited text with the columns ``trap, latitude, longitude`` and optionally ``elevation_m`` (may be
        blank), ``site``, ``station`` (the weather station to use) and ``valid_from`` (the day on which the
        trap of this name came to this place). All further columns are kept as covariates.
    columns : mapping, optional
        Our column names to those of the file.
    dates : {"year-first", "month-first", "day-first"}
        Order of the dates in ``valid_from``.
    fill : sequence of str
        Columns (``trap``, ``site``) whose blank cells take the value above, as in sheets with merged cells.

    Returns
    -------
    pandas.DataFrame
        Columns ``trap`` (unique), ``site`` (the trap where not given), ``latitude``, ``longitude`` [degrees],
        ``elevation_m`` [m] (NaN where unknown), ``station`` (NA unless given), the covariates, and ``row``
        (line of the file). With ``valid_from`` there are also ``device`` (the name in the catch table) and
        ``valid_from`` (datetime64[ns], NaT: from the beginning); a device that moved is one trap per place,
        named ``device@date``. ``attrs["notes"]`` holds one sentence for each thing skipped, filled or split.

    Raises
    ------
    DataError
        With every problem found: unreadable or implausible coordinates, repeated traps, one trap at two
        places without a date.

    Warns
    -----
    PhenofitWarning
        If a device moved and became two series.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> path = pathlib.Path(tempfile.mkdtemp()) / "traps.csv"
    >>> _ = path.write_text("PlotID,latitude,longitude,elevation_m\nA1,44.10,-98.20,410\n")
    >>> read_traps(path, columns={"trap": "PlotID"})[["trap", "site", "elevation_m"]].values.tolist()
    [['A1', 'A1', 410.0]]
    """
    frame, problems = examine_traps(path, columns=columns, dates=dates, fill=fill)
    if problems:
        raise DataError(problems)
    moved = [note for note in frame.attrs["notes"] if _MOVED in note]
    if moved:
        warnings.warn(f"{frame.attrs['file']}: {moved[0]}", PhenofitWarning, stacklevel=2)
    return frame


def examine_traps(
    path: TableSource,
    *,
    columns: Mapping[str, str] | None = None,
    dates: str = "year-first",
    fill: Sequence[str] = (),
) -> tuple[pd.DataFrame, list[Problem]]:
    """Read a trap table as far as it can be read; return it with NaN in faulty cells, and every problem."""
    table = read_table(
        path,
        columns=columns,
        required=("trap", "latitude", "longitude"),
        optional=("elevation_m", "site", "station", "valid_from"),
        keep_others=True,
    )
    table = fill_down(table, fill)
    frame, problems = _typed(table, dates)
    moved: list[str] = []
    if "device" in frame:
        moved = _split_moved(frame, table, problems)
    else:
        problems += _repeated(frame, table)
    problems += position_problems(
        frame["trap"].tolist(),
        frame["latitude"].to_numpy(),
        frame["longitude"].to_numpy(),
        rows=table.rows.tolist(),
        file=table.file,
        latitude_column=table.names["latitude"],
        longitude_column=table.names["longitude"],
    )
    notes = list(table.notes)
    if moved:
        notes.append(f"{len(moved)} {_MOVED}: {', '.join(moved)}.")
    frame.attrs = {"notes": tuple(notes), "file": table.file}
    return frame, sorted(problems, key=lambda p: p.row or 0)


def _typed(table: Table, dates: str) -> tuple[pd.DataFrame, list[Problem]]:
    """Return the table with typed columns, and the cells that could not be read."""
    cells = table.frame
    if cells.empty:
        return _empty(), [Problem("the table has no row.", "List one trap per row.", table.file)]
    latitude, longitude, elevation, problems = read_positions(table, "latitude", "longitude", "elevation_m")
    problems += table.problems(cells["trap"] == "", "trap", "the trap has no name.", "Name every trap.")
    site = cells["site"].where(cells["site"] != "", cells["trap"]) if "site" in cells else cells["trap"]
    station = cells["station"].mask(cells["station"] == "") if "station" in cells else pd.NA
    covariates, more = covariate_columns(table, (*TRAP_COLUMNS, "valid_from"))
    problems += more
    frame = pd.DataFrame(
        {
            "trap": cells["trap"],
            "site": site,
            "latitude": latitude,
            "longitude": longitude,
            "elevation_m": elevation,
            "station": pd.Series(station, index=cells.index, dtype="string"),
            **covariates,
            "row": table.rows,
        }
    )
    if "valid_from" in cells:
        valid_from, more = parse_dates(table, "valid_from", dates, required=False)
        problems += more
        frame["device"], frame["valid_from"] = cells["trap"], valid_from
    return frame, problems


def _empty() -> pd.DataFrame:
    frame = pd.DataFrame({name: pd.Series(dtype=float) for name in (*TRAP_COLUMNS, "row")})
    return frame.astype({"trap": str, "site": str, "station": "string", "row": int})


def _repeated(frame: pd.DataFrame, table: Table) -> list[Problem]:
    problems = []
    for trap, group in frame.groupby("trap", sort=False):
        if len(group) < 2 or trap == "":
            continue
        first = group.iloc[0]
        apart = distance_km(
            first["latitude"], first["longitude"], group["latitude"].to_numpy(), group["longitude"].to_numpy()
        )
        for at, km in zip(group.index[1:], apart[1:], strict=True):
            where = f"{km:.1f} km apart" if km > _SAME_PLACE_KM else "at the same place"
            finding = f"trap '{trap}' stands in rows {row_text(group['row'])}, {where}."
            remedy = (
                "Keep one row per trap; if it was moved, add a column 'valid_from' with the day of the move."
            )
            problems.append(table.problem(int(at), "trap", finding, remedy))
    return problems


def _split_moved(frame: pd.DataFrame, table: Table, problems: list[Problem]) -> list[str]:
    """Name a trap for every place of a moved device, and return these names with their rows."""
    made: list[str] = []
    for device, group in frame.groupby("device", sort=False):
        if len(group) < 2 or device == "":
            continue
        stamps = group["valid_from"]
        for at in group.index[stamps.duplicated()]:
            finding = (
                f"trap '{device}' is in rows {row_text(group['row'])} without a date that separates them."
            )
            remedy = "Give each place of the trap the day from which it holds."
            problems.append(table.problem(int(at), "valid_from", finding, remedy))
        own_site = group["site"] == group["trap"]
        for at in group.index[stamps.notna()]:
            name = f"{device}@{stamps[at]:%Y-%m-%d}"
            frame.loc[at, "trap"] = name
            made.append(f"{name} (row {group.loc[at, 'row']})")
            if own_site[at]:
                frame.loc[at, "site"] = name
    return made
