"""Sampling events of Darwin Core: the occurrences of each event in a table of their own, linked by ``eventID``."""

from __future__ import annotations

import pandas as pd

from phenofit.errors import Problem
from phenofit.files.text_table import Table

EVENT_TERMS = (
    "eventID", "eventDate", "samplingProtocol", "samplingEffort", "sampleSizeValue", "sampleSizeUnit",
    "locationID", "locality", "decimalLatitude", "decimalLongitude", "geodeticDatum",
    "minimumElevationInMeters", "maximumElevationInMeters",
)  # fmt: skip
"""Terms of an event, in order; the others are of its occurrences."""


def split_events(records: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Split occurrence records into sampling events and the occurrences of each.

    Parameters
    ----------
    records : pandas.DataFrame
        From :func:`phenofit.traps.to_darwin_core`; several species may be put one below the other.

    Returns
    -------
    events : pandas.DataFrame
        One row per ``eventID`` with the columns :data:`EVENT_TERMS`.
    occurrences : pandas.DataFrame
        The other columns, and ``eventID``.
    """
    events = records[list(EVENT_TERMS)].drop_duplicates("eventID", ignore_index=True)
    own = [name for name in records.columns if name == "eventID" or name not in EVENT_TERMS]
    return events, records[own]


def joined_to_events(
    checks: pd.DataFrame, events: Table, found: pd.DataFrame, occurrences: Table
) -> tuple[pd.DataFrame, list[Problem]]:
    """Return what was found at each check, those without an occurrence included, and ids that do not fit.

    A check without an occurrence has a count of 0 of no species.
    """
    ids, asked = events.frame["eventID"], occurrences.frame["eventID"]
    remedy = "Give every event an id of its own."
    problems = events.problems(ids == "", "eventID", "the event has no id.", remedy)
    again = (ids.duplicated() & (ids != "")).to_numpy()
    problems += events.problems(again, "eventID", "the event '{cell}' is a duplicate.", remedy)
    remedy = "Correct the id, or add the event."
    lost = ~asked.isin(ids).to_numpy()
    problems += occurrences.problems(
        lost, "eventID", "the event '{cell}' is not in the table of events.", remedy
    )
    if problems:
        return pd.concat([checks, found], axis=1).dropna(subset=["trap", "status"]), problems
    at = dict(zip(ids, range(len(ids)), strict=True))
    places = asked.map(at).to_numpy()
    recorded = pd.concat([checks.iloc[places].reset_index(drop=True), found], axis=1)
    silent = checks[~ids.isin(asked)].assign(count=0.0, status="counted", species="")
    return pd.concat([recorded, silent], ignore_index=True), []
