"""Several traps at one site read as one: counts and effort added where their intervals agree."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from phenofit.traps.sequence import joint_status

__all__ = ["pool_intervals"]


def pool_intervals(
    intervals: pd.DataFrame, site_of: Mapping[str, str]
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Add up the traps of each site.

    Parameters
    ----------
    intervals : pandas.DataFrame
        Intervals of :func:`phenofit.traps.intervals.check_intervals`.
    site_of : mapping of str to str
        Trap to site.

    Returns
    -------
    intervals : pandas.DataFrame
        The same columns; ``trap`` is the site where its traps could be added up.
    kept_apart : tuple of str
        "site season-year" of the trap-years whose intervals do not fit together and which stay single traps.

    Notes
    -----
    Within a site and season the intervals of all traps are sorted and cut into blocks that no interval
    crosses. A block in which every trap has one and the same interval is added up as it is. A block in which
    one trap was read more often than another becomes one interval over the whole block, provided that each of
    its traps covers the block without a gap; otherwise the effort would change within the interval and the
    traps are kept apart. Effort is the sum over the traps that stood, so a week with a lost trap counts less.
    """
    pieces, apart = [], []
    frame = intervals.assign(site=intervals["trap"].map(site_of))
    for (site, year), group in frame.groupby(["site", "year"], sort=False):
        if group["trap"].nunique() == 1:
            # One trap is the whole site, and its name is the more telling one only if it stands alone there.
            pieces.append(group.assign(trap=str(site)))
            continue
        pooled = _pool_group(group, str(site))
        if pooled is None:
            apart.append(f"{site} {year}")
            pieces.append(group)
        else:
            pieces.append(pooled)
    if not pieces:
        return intervals, ()
    whole = pd.concat(pieces, ignore_index=True)
    return whole[intervals.columns].astype(intervals.dtypes.to_dict()), tuple(apart)


def _pool_group(group: pd.DataFrame, site: str) -> pd.DataFrame | None:
    ordered = group.sort_values(["start", "end", "trap"], kind="stable")
    reach = ordered["end"].cummax().shift()
    block = (ordered["start"] >= reach).cumsum()
    rows = []
    for _, part in ordered.groupby(block, sort=False):
        first, last = part["start"].min(), part["end"].max()
        efforts = 0.0
        for _, own in part.groupby("trap", sort=False):
            covered = (own["end"] - own["start"]).sum() == last - first
            if not covered or own["effort"].nunique() > 1:
                return None
            efforts += float(own["effort"].iloc[0])
        rows.append(
            {
                "trap": site,
                "year": part["year"].iloc[0],
                "start": first,
                "end": last,
                "count": part["count"].sum(),
                "status": joint_status(part["status"]),
                "effort": efforts,
                "row": part["row"].min(),
            }
        )
    return pd.DataFrame(rows)
