"""Several traps at one site read as one: counts and effort added where their intervals agree."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd


def pool_intervals(
    intervals: pd.DataFrame, site_of: Mapping[str, str]
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Add up the traps of each site."""
    if intervals.empty:
        return intervals, ()
    frame = intervals.assign(site=intervals["trap"].map(dict(site_of)))
    frame = frame.sort_values(["site", "year", "start", "end", "trap"], kind="stable", ignore_index=True)
    groups = frame.groupby(["site", "year"], sort=False)
    frame["group"] = groups.ngroup()
    frame["block"] = _blocks(frame)
    frame["span"] = frame["end"] - frame["start"]
    fits = frame["group"].map(_groups_that_fit(frame))
    pooled = _sums(frame[fits])
    kept = frame[~fits]
    whole = pd.concat([pooled, kept], ignore_index=True)[intervals.columns].astype(intervals.dtypes.to_dict())
    apart = kept[["site", "year"]].drop_duplicates()
    return whole, tuple(f"{site} {year}" for site, year in zip(apart["site"], apart["year"], strict=True))


def _blocks(frame: pd.DataFrame) -> pd.Series:
    """Return the number of the block of each interval; the intervals are sorted by group and start."""
    reach = frame.groupby("group", sort=False)["end"].cummax().shift()
    new_group = frame["group"] != frame["group"].shift()
    return (new_group | (frame["start"] >= reach)).cumsum()


def _groups_that_fit(frame: pd.DataFrame) -> pd.Series:
    """Return for each group whether every trap covers each of its blocks without a gap and with one effort."""
    block = frame.groupby("block", sort=False).agg(first=("start", "min"), last=("end", "max"))
    own = frame.groupby(["block", "trap"], sort=False).agg(
        group=("group", "first"), time=("span", "sum"), low=("effort", "min"), high=("effort", "max")
    )
    length = (block["last"] - block["first"]).reindex(own.index.get_level_values("block")).to_numpy()
    fits = (own["time"].to_numpy() == length) & (own["low"] == own["high"]).to_numpy()
    return pd.Series(fits, index=own["group"].to_numpy()).groupby(level=0).all()


def _sums(frame: pd.DataFrame) -> pd.DataFrame:
    """Return one interval for each block: the counts of all its checks, the effort of all its traps."""
    once = ~frame.duplicated(["block", "trap"])
    sums = frame.assign(
        effort=frame["effort"].where(once, 0.0),
        counted=frame["status"] == "counted",
        present=frame["status"] == "present",
    )
    found = sums.groupby("block", sort=False).agg(
        trap=("site", "first"),
        year=("year", "first"),
        start=("start", "min"),
        end=("end", "max"),
        count=("count", "sum"),
        effort=("effort", "sum"),
        row=("row", "min"),
        counted=("counted", "all"),
        present=("present", "all"),
    )
    exact = found["counted"].map({True: "counted", False: "at least"})
    found["status"] = exact.mask(found["present"], "present")
    return found
