"""Rows of one trap and date: identical ones left out, different ones added up where that is asked."""

from __future__ import annotations

import numpy as np
import pandas as pd

from phenofit.files.text_table import LeftOut
from phenofit.traps.forms.subsets import summed_up
from phenofit.traps.sequence import joint_status, series_keys
from phenofit.traps.sheet_cells import row_text

IDENTICAL = "the same row again"
"""Why an identical row is left out."""


def drop_identical(frame: pd.DataFrame) -> tuple[pd.DataFrame, list[LeftOut], list[str]]:
    """Return the catches without rows whose cells are all those of another; ``same`` numbers equal rows."""
    again = frame.duplicated([*series_keys(frame), "check", "same"]) & frame["check"].notna()
    if not again.any():
        return frame, [], []
    gone = frame[again]
    note = f"{len(gone)} rows are identical to another and left out (rows {row_text(gone['row'])})."
    return frame[~again].reset_index(drop=True), summed_up(gone, IDENTICAL), [note]


def sum_duplicates(catches: pd.DataFrame) -> tuple[pd.DataFrame, list[int]]:
    """Add up rows of one trap (and species) with the same check."""
    keys = [*series_keys(catches), "check"]
    again = catches.duplicated(keys, keep=False) & catches["check"].notna()
    if not again.any():
        return catches, []
    merged, added = [], []
    for _, group in catches[again].groupby(keys, sort=False):
        first = group.iloc[0].copy()
        first["status"] = joint_status(group["status"])
        known = first["status"] not in ("lost", "missing")
        first["count"] = group["count"].sum() if known else np.nan
        first["effort"] = group["effort"].sum()
        first["set"] = group["set"].min()
        merged.append(first)
        added += [int(row) for row in group["row"].iloc[1:]]
    whole = pd.concat([catches[~again], pd.DataFrame(merged).astype(catches.dtypes.to_dict())])
    return whole.sort_values(["trap", "check", "row"], kind="stable", ignore_index=True), sorted(added)


def lure_changes(frame: pd.DataFrame) -> list[str]:
    """Return a note of the traps whose lure changes from one check to the next in one calendar year."""
    if "lure" not in frame:
        return []
    known = frame[(frame["lure"] != "") & frame["check"].notna()]
    groups = known.groupby([*series_keys(known), known["check"].dt.year], sort=False)["lure"]
    before = groups.shift()
    changed = known[before.notna() & (known["lure"] != before)]
    if changed.empty:
        return []
    first = changed.iloc[0]
    count, rows = changed["trap"].nunique(), row_text(changed["row"])
    change = f"'{first['trap']}' from '{before[changed.index[0]]}' to '{first['lure']}' in row {first['row']}"
    return [f"{count} traps change their lure within a year (rows {rows}), such as {change}."]
