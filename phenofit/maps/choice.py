"""Choose, from the one validation table, the rows that a map is about."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from phenofit.errors import DataError, ModelError, Problem
from phenofit.files import require_regular

NEEDED = (
    "forecaster", "flight", "event", "site", "year", "latitude", "longitude", "error_days",
)  # fmt: skip
_FLAGS = ("inside_interval", "covered50", "covered80", "covered95")


@dataclass(frozen=True)
class ErrorChoice:
    """Which rows of a validation table a map is about.

    Parameters
    ----------
    forecaster : str
        Whose errors.
    flight : int
        Flight, counted from 1.
    event : str
        Such as ``"flight_50"``.
    species, scheme : str, optional
        Needed where the table holds several.
    lead_days : float, optional
        Days between issue and event [d]; by default the forecasts with the season's weather known.
    """

    forecaster: str = "fitted"
    flight: int = 1
    event: str = "flight_50"
    species: str | None = None
    scheme: str | None = None
    lead_days: float | None = None


@dataclass(frozen=True)
class ErrorRows:
    """The errors of one forecaster for one event, and what was chosen."""

    # A row per trap and held-out season, with finite ``error_days`` [days, positive = forecast late].
    rows: pd.DataFrame
    species: str  # What the rows belong to; `species` and `scheme` are empty where the table does not say.
    scheme: str
    forecaster: str
    event: str
    flight: int  # Flight, counted from 1.
    lead_days: float | None  # Days between issue and event; ``None`` where the weather was known.
    left_out: int  # Matching rows without an error (event not seen, or no forecast).


def read_validation(path: str | Path) -> pd.DataFrame:
    """Read a ``validation.csv``."""
    path = require_regular(path, remedy="Give the validation table.")
    try:
        table = pd.read_csv(
            path, dtype={"site": str, "trap": str, "species": str, "scheme": str, "fold": str}
        )
    except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeDecodeError) as error:
        raise DataError(
            Problem(f"this is not a table ({error}).", "Give a comma-separated table in UTF-8.", str(path))
        ) from None
    _need_columns(table, str(path))
    problems: list[Problem] = []
    for column in ("flight", "year", "latitude", "longitude", "elevation_m", "lead_days", "error_days"):
        if column in table and not pd.api.types.is_numeric_dtype(table[column]):
            number = pd.to_numeric(table[column], errors="coerce")
            for position in np.flatnonzero(number.isna() & table[column].notna()):
                found = f"'{table[column].iloc[position]}' is not a number."
                row = int(position) + 2
                problems.append(Problem(found, "Write a plain number.", str(path), row, column))
            table[column] = number
    if problems:
        raise DataError(problems)
    for column in _FLAGS:
        if column in table:
            table[column] = table[column].map(_truth).astype("boolean")
    return table


def select_errors(validation: pd.DataFrame, choice: ErrorChoice) -> ErrorRows:
    """Choose the rows of one forecaster, flight, event, species, scheme and lead time."""
    forecaster, flight, event = choice.forecaster, choice.flight, choice.event
    _need_columns(validation, "validation table")
    rows = validation
    chosen: dict[str, str] = {}
    for column, wanted in (("species", choice.species), ("scheme", choice.scheme)):
        if column not in rows:
            chosen[column] = wanted or ""
            continue
        rows, chosen[column] = _one_of(rows, column, wanted)
    rows, _ = _one_of(rows, "forecaster", forecaster)
    rows, _ = _one_of(rows, "event", event)
    rows, _ = _one_of(rows, "flight", flight)
    rows = _by_lead(rows, choice.lead_days)
    finite = np.isfinite(rows["error_days"].to_numpy(float))
    kept = rows[finite].copy()
    if kept.empty:
        raise ModelError(
            f"none of the {len(rows)} rows of '{forecaster}', {event}, flight {flight} has an error."
        )
    _check_places(kept)
    kept["site"] = kept["site"].astype(str)
    return ErrorRows(
        kept.reset_index(drop=True),
        chosen["species"],
        chosen["scheme"],
        forecaster,
        event,
        int(flight),
        choice.lead_days,
        int((~finite).sum()),
    )


def _need_columns(table: pd.DataFrame, file: str) -> None:
    absent = [c for c in NEEDED if c not in table]
    if absent:
        remedy = f"A map needs {', '.join(NEEDED)}; the table has {', '.join(map(str, table.columns))}."
        raise DataError([Problem("the column is absent.", remedy, file, column=column) for column in absent])


def _truth(value: object) -> object:
    text = str(value).strip().lower()
    if text in {"true", "1", "1.0", "yes"}:
        return True
    if text in {"false", "0", "0.0", "no"}:
        return False
    return pd.NA


def _one_of(rows: pd.DataFrame, column: str, wanted: object) -> tuple[pd.DataFrame, str]:
    present: Sequence[object] = list(pd.unique(rows[column].dropna()))
    listed = ", ".join(f"'{p}'" for p in present) or "nothing"
    if wanted is None:
        if len(present) > 1:
            raise ModelError(f"the validation table holds several values of {column} ({listed}): choose one.")
        return rows, str(present[0]) if present else ""
    chosen = rows[rows[column] == wanted]
    if chosen.empty:
        raise ModelError(f"no row has {column} '{wanted}'; there is {listed}.")
    return chosen, str(wanted)


def _by_lead(rows: pd.DataFrame, lead_days: float | None) -> pd.DataFrame:
    if "lead_days" not in rows:
        return rows
    lead = rows["lead_days"].to_numpy(float)
    chosen: pd.DataFrame = rows.loc[np.isnan(lead) if lead_days is None else lead == lead_days]
    if chosen.empty:
        there = ", ".join("weather known" if np.isnan(v) else f"{v:g}" for v in np.unique(lead))
        asked = "weather known" if lead_days is None else f"{lead_days:g}"
        raise ModelError(f"no row has lead_days '{asked}'; there is {there}.")
    return chosen


def _check_places(rows: pd.DataFrame) -> None:
    latitude, longitude = rows["latitude"].to_numpy(float), rows["longitude"].to_numpy(float)
    bad = ~(np.abs(latitude) <= 90.0) | ~(np.abs(longitude) <= 360.0)
    if bad.any():
        raise DataError(
            [
                Problem(
                    f"site '{site}' has latitude {lat:g} and longitude {lon:g}.",
                    "Latitudes run from -90 to 90, longitudes from -180 to 180 degrees east.",
                    "validation table",
                )
                for site, lat, lon in rows.loc[bad, ["site", "latitude", "longitude"]]
                .drop_duplicates()
                .itertuples(index=False)
            ]
        )
